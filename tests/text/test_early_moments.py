"""The first moments: what has not been counted or judged yet is no good news."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.van import make_replay

from busplan.text.findings_draw import summary
from busplan.text.networks_draw import figures

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
    assert "".join(text for text, _ in summary(replay)).startswith(head)
