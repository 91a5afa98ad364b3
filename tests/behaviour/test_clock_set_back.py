"""A clock that is set while recording: no behaviour fails by it, and none counts as held."""

from dataclasses import replace

import numpy as np
import pytest
from behaviour.test_captures import FAN, FAST, PLAN, SLOW, S, fan, frames, heat, one
from support.plans import write_plan

from busplan.behaviour.following import Following
from busplan.behaviour.judge import judge_behaviours
from busplan.behaviour.report import BehaviourReport
from busplan.frames.table import FrameTable
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.text.behaviour_text import behaviour_lines, brief_lines
from busplan.transport.messages import put_together


@pytest.fixture(scope="module")
def vehicle(tmp_path_factory: pytest.TempPathFactory) -> Vehicle:
    folder = tmp_path_factory.mktemp("plan")
    return load_plan(write_plan(folder, f"{PLAN}{FAN}stays_s = 0.5", slow=SLOW, fast=FAST))


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


@pytest.mark.parametrize("by_s", [0.6, 30.0])
def test_a_clock_set_forward_makes_nothing_fail_nor_held(by_s: float, vehicle: Vehicle) -> None:
    table = frames(heat([(0, 30), (5, 45)]), fan(6.5))
    time = table.time_ns.copy()
    time[time >= time[0] + round(5.5 * S)] += round(by_s * S)
    report = judge_behaviours(replace(table, time_ns=time, index=None, bounds=None), vehicle)
    assert one(report).word == "not shown"
    assert "the clock was set forward; judged are the 14" in report.one_clock


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


def followed(table: FrameTable, vehicle: Vehicle, parts: int) -> BehaviourReport:
    """What following says of a table that came in so many parts."""
    following = Following(vehicle, table.networks)
    for part in np.array_split(np.arange(len(table)), parts):
        following.add(table.take(part))
        if parts > 1:
            following.report()
    report = following.report()
    assert report is not None
    return report


@pytest.mark.parametrize("parts", [1, 7, 200])
@pytest.mark.parametrize("by_s", [8.45, 11.03])
def test_followed_live_no_behaviour_fails_by_it_and_what_was_found_stays(
    by_s: float, parts: int, vehicle: Vehicle
) -> None:
    right = set_back(frames(heat([(0, 30), (5, 45)]), fan(6.5)), 12.0, by_s)
    told = one(followed(right, vehicle, parts))
    # It was hot already where time begins anew: when it came to be so nobody saw.
    assert (told.word, told.held, told.failed, told.unsure) == ("not shown", 1, 0, 1)
    wrong = set_back(frames(heat([(0, 30), (5, 45)]), fan(9.0)), 12.0, by_s)
    assert one(followed(wrong, vehicle, parts)).failed == 1


@pytest.mark.parametrize("parts", [1, 7, 200])
def test_followed_live_networks_of_clocks_that_differ_are_no_step(
    parts: int, vehicle: Vehicle
) -> None:
    table = frames(heat([(0, 30), (5, 45)]), fan(6.5))
    time = table.time_ns - np.where(table.network == 1, 8 * S, 0)
    apart = replace(table, time_ns=time, index=None, bounds=None)
    whole = judge_behaviours(apart, vehicle)
    assert whole.one_clock == ""
    assert one(followed(apart, vehicle, parts)).as_dict() == one(whole).as_dict()
