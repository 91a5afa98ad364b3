"""A clock that is set back while recording: no behaviour fails by it, and none counts as held."""

from dataclasses import replace

import numpy as np
import pytest
from behaviour.test_captures import FAN, FAST, PLAN, SLOW, S, fan, frames, heat, one
from support.plans import write_plan

from busplan.behaviour.judge import judge_behaviours
from busplan.frames.table import FrameTable
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.text.behaviour_text import behaviour_lines, brief_lines
from busplan.transport.messages import put_together


@pytest.fixture(scope="module")
def vehicle(tmp_path_factory: pytest.TempPathFactory) -> Vehicle:
    folder = tmp_path_factory.mktemp("plan")
    return load_plan(write_plan(folder, PLAN + FAN, slow=SLOW, fast=FAST))


def set_back(table: FrameTable, at_s: float, by_s: float) -> FrameTable:
    time = table.time_ns.copy()
    time[time >= time[0] + round(at_s * S)] -= round(by_s * S)
    return replace(table, time_ns=time, index=None, bounds=None)


@pytest.mark.parametrize("by_s", [9.0, 11.0, 86_400.0])
def test_what_held_in_a_part_is_not_shown(by_s: float, vehicle: Vehicle) -> None:
    table = set_back(frames(heat([(0, 30), (5, 45)]), fan(6.5)), 12.0, by_s)
    for given in (table, put_together(table, vehicle)):
        report = judge_behaviours(given, vehicle)
        assert (one(report).word, one(report).held) == ("not shown", 1)
        assert one(report).reason == "came up 1 time: 1 held, in the part judged alone"
        assert "12 s of part 1 of 2" in report.one_clock
        assert report.as_dict()["part"] == report.one_clock
        for lines in (behaviour_lines(report, 400), brief_lines(report, 400)):
            assert sum("The clock of the recording was set back 1 time" in li for li in lines) == 1


def test_a_failure_stands_at_its_place_in_the_capture(vehicle: Vehicle) -> None:
    table = set_back(frames(heat([(0, 30), (5, 45)]), fan(9.0)), 4.0, 3.0)
    report = judge_behaviours(table, vehicle)
    assert one(report).word == "failed"
    (finding,) = report.findings
    # The part begins at 4 s, told as 1 s; the temperature passes 40 in the frame of 5.03 s.
    assert one(report).failures[0].at_s == pytest.approx(1.03)
    assert finding.where.time_ns == pytest.approx(2.03 * S)
    assert next(report.failures(table.origin_ns)).where.time_ns == finding.where.time_ns


def test_a_clock_that_nobody_sets_leaves_the_whole(vehicle: Vehicle) -> None:
    report = judge_behaviours(frames(heat([(0, 30), (5, 45)]), fan(6.5)), vehicle)
    assert (one(report).word, report.one_clock, report.begin_s) == ("held", "", 0.0)
    assert np.isclose(report.span_s, 19.98)
