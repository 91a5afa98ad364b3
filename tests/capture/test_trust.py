"""How far a capture is trusted: each bound of the time stamps and repeats, from both sides.

The bounds are ours (common practice, no source).
"""

from __future__ import annotations

import numpy as np
import pytest

from busplan.capture.trust import TimeWatch, apart, doubled
from busplan.findings import Finding, Weight

MS, S = 10**6, 10**9


def watched(*blocks: list[int]) -> list[Finding]:
    watch = TimeWatch("a.log")
    for block in blocks:
        watch.add(np.array(block, np.int64))
    return watch.findings((0, 1000 * S))


@pytest.mark.parametrize(
    ("back_ns", "weight"), [(1, Weight.NOTE), (10 * MS, Weight.NOTE), (10 * MS + 1, Weight.CAUTION)]
)
def test_a_step_back_of_ten_milliseconds_is_ordinary(back_ns: int, weight: Weight) -> None:
    (finding,) = watched([0, 5 * S, 5 * S - back_ns])
    assert (finding.code, finding.weight) == ("time-steps-back", weight)
    assert "first: frame 3" in finding.summary


def test_the_largest_step_back_decides_in_whatever_block_it_comes() -> None:
    (finding,) = watched([0, 5 * S, 4 * S], [5 * S, 5 * S - 1], [6 * S])
    assert finding.weight is Weight.CAUTION
    assert [f.value for f in finding.figures] == [2, 1000.0]


def test_a_pause_longer_than_ten_seconds_is_told_and_the_longest_is_shown() -> None:
    assert watched([0, 10 * S]) == []
    (finding,) = watched([0, S], [S + 30 * S], [43 * S, 43 * S + 10 * S + 1])
    assert finding.code == "time-gap"
    assert [f.value for f in finding.figures] == [3, 30.0]
    assert finding.where.time_ns == S


def test_what_leads_to_a_time_nobody_believes_is_no_pause() -> None:
    watch = TimeWatch("a.log")
    watch.add(np.array([0, 500 * S, 501 * S, 520 * S], np.int64))
    (finding,) = watch.findings((500 * S, 520 * S))
    assert [f.value for f in finding.figures] == [1, 19.0]
    assert finding.where.time_ns == S
    assert watch.findings((500 * S, 505 * S)) == []


@pytest.mark.parametrize(
    ("last", "told"),
    [
        ((105, 120), None),  # 5 s after the long file, though 85 s after the one inside it
        ((110, 120), None),
        ((111, 120), "begins 11.0 s after the last frame of long.log"),
    ],
)
def test_files_lie_apart_from_whichever_ended_last(last: tuple[int, int], told: str | None) -> None:
    spans = {"long.log": (0, 100), "inside.log": (10, 20), "late.log": last}
    found = apart({name: (a * S, b * S) for name, (a, b) in spans.items()}, 0)
    assert [f.summary for f in found] == ([] if told is None else [told])


@pytest.mark.parametrize(
    ("frames", "repeats", "told"),
    [(200, 10, True), (201, 10, False), (20, 10, True), (20, 9, False)],
)
def test_a_twentieth_of_the_frames_and_ten_at_least_must_be_doubled(
    frames: int, repeats: int, told: bool
) -> None:
    found = doubled(["pack"], [frames], [repeats])
    assert [f.where.network for f in found] == ["pack"] * told
