"""The first moments: what has not been counted or judged yet is no good news."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.van import make_replay

from busplan.replay.present import LIVE
from busplan.replay.replay import Replay
from busplan.replay.watch import watch
from busplan.text.draw import no_pack, nothing_found
from busplan.text.findings_draw import summary
from busplan.text.networks_draw import figures
from busplan.text.pins import draw_pins
from busplan.text.runs import text
from busplan.text.tiles import NEVER_CAME, UNKNOWN
from busplan.text.timeline import Window

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


def test_what_never_came_is_told_alike_of_a_capture_and_of_a_bus() -> None:
    """Live there is no capture that it could be missing in."""
    replay = make_replay()
    only = replay.table.take(replay.table.network == replay.table.networks.index("thermal"))
    live = replace(Replay.of(replay.vehicle, only), source=LIVE)
    assert "capture" not in no_pack(live.snapshot(S))
    pack = replay.vehicle.pack
    assert pack is not None
    track = [pack.cells[0].address._replace(message="Nothing")]
    lines = draw_pins(live, track, 80, Window(0, S, None), S, 6)
    told = " ".join(text for line in lines for text, _ in line)
    assert NEVER_CAME in told
    assert "in this capture" not in told + UNKNOWN
