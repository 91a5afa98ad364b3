"""A clock set forward, a recorder that stops or a vehicle that sleeps makes no monitor silent.

Nor is the time that it seems to have lasted a rest in which a pack was proven. Common practice, no
source.
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
from busplan.traffic.stopped import CAUSES

S = 1_000_000_000


@pytest.fixture(scope="module")
def drive() -> FrameTable:
    return make_capture("drive", healthy=True, duration_s=100.0)


def set_forward(table: FrameTable, at_s: float, by_s: float) -> FrameTable:
    time = table.time_ns.copy()
    time[int(np.searchsorted(time, time[0] + round(at_s * S))) :] += round(by_s * S)
    return replace(table, time_ns=time, index=None, bounds=None)


@pytest.mark.parametrize("by_s", [0.3, 0.7, 10.0, 3600.0])
def test_no_monitor_is_silent_and_nothing_is_proven(by_s: float, drive: FrameTable) -> None:
    table = set_forward(drive, 60.0, by_s)
    report = judge_frames(table, demo_vehicle(), test=PackTest.DRIVE).report
    assert [f.code for f in report.findings if f.weight > Weight.NOTE] == []
    whole = judge_whole(report)
    assert (whole.answer, whole.open[0]) == (Answer.NOT_SHOWN, "recording")
    (told,) = [s for s in whole.sections if s.name == "recording"]
    assert CAUSES in told.text
    if by_s > 1.0:
        assert report.span_s == pytest.approx(60.0, abs=0.1)
        assert "judged are the 60 s of part 1 of 2; 40 s were not" in told.text
    else:
        assert report.span_s == pytest.approx(100.0 + by_s, abs=0.1)


def test_what_is_missing_of_everybody_is_told_so_too(drive: FrameTable) -> None:
    seconds = (drive.time_ns - drive.origin_ns) / 1e9
    report = judge_frames(drive.take((seconds < 30.0) | (seconds > 35.0)), demo_vehicle()).report
    assert "monitor-silent" not in {f.code for f in report.findings}
    assert judge_whole(report).answer is Answer.NOT_SHOWN


def test_findings_stand_at_their_place_in_the_capture() -> None:
    """The ill drive's monitor B is silent in both."""
    ill = make_capture("drive", healthy=False, duration_s=100.0)
    table = set_forward(ill, 5.0, 20.0)
    seconds = (table.time_ns - table.origin_ns) / 1e9
    after = judge_frames(table.take(seconds > 24.0), demo_vehicle(), test=PackTest.DRIVE).report
    whole = judge_frames(table, demo_vehicle(), test=PackTest.DRIVE).report
    assert [f.summary for f in whole.findings] == [f.summary for f in after.findings]
    (silent,) = [f for f in whole.findings if f.code == "monitor-silent"]
    (alone,) = [f for f in after.findings if f.code == "monitor-silent"]
    assert silent.where.time_ns is not None
    assert alone.where.time_ns is not None
    assert silent.where.time_ns - alone.where.time_ns == pytest.approx(25 * S, abs=S / 20)


def test_hours_by_which_a_clock_is_set_are_no_rest() -> None:
    vehicle = demo_vehicle("asleep")
    rest = make_capture("rest", healthy=True, duration_s=2000.0)
    table = set_forward(rest, 1000.0, 36_000.0)
    report = judge_frames(table, vehicle, test=PackTest.REST).report
    assert report.span_s < 2000.0
    assert report.self_discharge is not None
    assert report.self_discharge.hours < 1.0
    assert judge_whole(report).answer is Answer.NOT_SHOWN


def test_what_was_in_the_red_in_a_part_left_out_is_told(drive: FrameTable) -> None:
    """A limit that only the beginning passes, and a pause after it: the longer part is judged, and
    the red of the shorter one stands beside it, at its own time."""
    vehicle = demo_vehicle()
    assert vehicle.pack is not None
    values = judge_frames(drive, vehicle).series.voltage
    highest = np.nanmax(values.value[values.time_s > 45.0])
    assert np.nanmax(values.value[values.time_s < 40.0]) > highest + 0.012
    high_v = float(highest) + 0.001
    limits = replace(vehicle.pack.limits, cell_high_v=high_v)
    strict = replace(vehicle, pack=replace(vehicle.pack, limits=limits))
    whole, paused = (judge_frames(t, strict) for t in (drive, set_forward(drive, 45.0, 40.0)))
    red = [
        {(f.code, f.where.time_ns) for f in judged.report.findings if f.weight is Weight.FAULT}
        for judged in (whole, paused)
    ]
    assert red[0]
    assert red[0] == red[1]
    assert judge_whole(paused.report).answer is judge_whole(whole.report).answer
