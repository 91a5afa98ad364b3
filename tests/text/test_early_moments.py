"""The first moments: what has not been counted or judged yet is no good news."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.van import make_replay

from busplan.replay.present import LIVE
from busplan.replay.watch import watch
from busplan.text.draw import nothing_found
from busplan.text.findings_draw import summary
from busplan.text.networks_draw import figures
from busplan.text.runs import text

S = 1_000_000_000


@pytest.mark.parametrize(("t_ns", "told"), [(S // 2, "peak -"), (5 * S, "peak ")])
def test_there_is_no_peak_before_the_first_second_is_over(t_ns: int, told: str) -> None:
    replay = make_replay()
    load = next(x for x in replay.snapshot(t_ns).loads if x.recorded)
    line = "".join(text for text, _ in figures(load, replay.vehicle.networks[load.network])[1])
    assert line.startswith(told)
    assert (line == "peak -") is (t_ns < S)
    assert np.isfinite(load.now)


@pytest.mark.parametrize(("judged", "head"), [(False, "findings so far  #"), (True, "findings  #")])
def test_findings_are_counted_so_far_until_all_is_judged(judged: bool, head: str) -> None:
    replay = replace(make_replay(), judged=judged)
    assert "".join(text for text, _ in summary(replay, 0)).startswith(head)


def test_findings_of_a_bus_that_is_listened_to_are_those_so_far() -> None:
    replay = replace(make_replay(), judged=True, findings=(), source=LIVE)
    assert nothing_found(replay) == "no findings so far"
    assert nothing_found(replace(replay, source="van.log")) == "no findings in this capture"
    assert "".join(text for text, _ in summary(replay, 0)).startswith("findings so far")


def test_findings_still_to_come_are_counted_in_words() -> None:
    """They are faint in the list, which a terminal without colours may not show."""
    plain = make_replay(gap_s=(10, 14))
    replay = plain.with_findings(watch(plain.lines, plain.span_ns))
    assert "1 to come" in text(summary(replay, 5 * S))
    assert "to come" not in text(summary(replay, 20 * S))
