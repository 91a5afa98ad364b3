"""A clock that is set back while recording is told once, and no fault of the pack comes of it.

Common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busplan.answers import Answer
from busplan.demo.captures import demo_vehicle, make_capture
from busplan.findings import Weight
from busplan.frames.table import FrameTable
from busplan.pack.judging import judge_frames
from busplan.pack.kinds import PackTest
from busplan.pack.whole import judge_whole

LENGTH_S = 100.0


@pytest.fixture(scope="module")
def drives() -> dict[bool, FrameTable]:
    """A drive of the demo by whether it is healthy; the ill one's monitor B is silent for 3 s."""
    return {
        healthy: make_capture("drive", healthy=healthy, duration_s=LENGTH_S)
        for healthy in (True, False)
    }


def of_pack(table: FrameTable) -> np.ndarray:
    """Which rows carry what the plan names of the pack."""
    vehicle = demo_vehicle()
    assert vehicle.pack is not None
    paths = {c.address[:3] for c in (*vehicle.pack.cells, *vehicle.pack.sensors)}
    paths |= {address[:3] for address in vehicle.pack.quantities.values()}
    return np.isin(table.identifier, [s.key.identifier for s in vehicle.streams if s.path in paths])


def set_back(table: FrameTable, at_s: float, by_s: float) -> tuple[FrameTable, int]:
    """The recording whose clock is set back about then, and its first row after that: of others."""
    row = int(np.searchsorted(table.time_ns, table.time_ns[0] + round(at_s * 1e9)))
    row += int(np.argmin(of_pack(table)[row:]))
    time = table.time_ns.copy()
    time[row:] -= round(by_s * 1e9)
    return replace(table, time_ns=time, index=None, bounds=None), row


@pytest.mark.parametrize("by_s", [0.7, 10.0, 101.0, 86_400.0])
@pytest.mark.parametrize(("at_s", "part"), [(60.0, 1), (40.0, 2)])
def test_it_is_told_once_and_the_longest_part_is_judged(
    by_s: float, at_s: float, part: int, drives: dict[bool, FrameTable]
) -> None:
    table, _ = set_back(drives[True], at_s, by_s)
    report = judge_frames(table, demo_vehicle(), test=PackTest.DRIVE).report
    assert [f.code for f in report.findings if f.weight > Weight.NOTE] == []
    assert report.span_s == pytest.approx(60.0, abs=0.1)
    whole = judge_whole(report)
    assert (whole.answer, whole.open[0]) == (Answer.NOT_SHOWN, "recording")
    (told,) = [s for s in whole.sections if s.name == "recording"]
    assert f"set back 1 time: judged are the 60 s of part {part} of 2, from" in told.text
    assert "; 40 s were not" in told.text


def test_what_reading_told_of_the_step_is_not_told_twice(drives: dict[bool, FrameTable]) -> None:
    from busplan.capture.trust import TimeWatch

    table, _ = set_back(drives[True], 60.0, 10.0)
    watch = TimeWatch("made.log")
    watch.add(table.time_ns)
    tolerated = watch.findings(table.believable)
    assert [f.code for f in tolerated] == ["time-steps-back"]
    whole = judge_whole(judge_frames(table, demo_vehicle(), tolerated=tolerated).report)
    (told,) = [s for s in whole.sections if s.name == "recording"]
    assert "stamped earlier" not in told.text
    assert whole.answer is Answer.NOT_SHOWN


def test_findings_stand_at_their_place_in_the_capture(drives: dict[bool, FrameTable]) -> None:
    table, row = set_back(drives[False], 5.0, 2.0)
    whole = judge_frames(table, demo_vehicle(), test=PackTest.DRIVE).report.findings
    after = judge_frames(table.take(slice(row, None)), demo_vehicle(), test=PackTest.DRIVE).report
    assert [f.summary for f in whole] == [f.summary for f in after.findings]
    assert "monitor-silent" in {f.code for f in whole}
    for mine, theirs in zip(whole, after.findings, strict=True):
        assert (mine.where.time_ns is None) == (theirs.where.time_ns is None)
        if mine.where.time_ns is not None and theirs.where.time_ns is not None:
            assert mine.where.time_ns - theirs.where.time_ns == pytest.approx(3e9, abs=1e7)


@pytest.mark.parametrize("by_s", [3600, -3600, 2])
@pytest.mark.parametrize("part", [0.0, 0.5])
def test_a_single_frame_with_a_wrong_time_is_no_step_of_the_clock(
    by_s: int, part: float, drives: dict[bool, FrameTable]
) -> None:
    time = drives[True].time_ns.copy()
    mine = np.flatnonzero(of_pack(drives[True]))
    time[mine[int(part * len(mine))]] += by_s * 1_000_000_000
    table = replace(drives[True], time_ns=time, index=None, bounds=None)
    assert judge_frames(table, demo_vehicle()).report.one_clock == ""
