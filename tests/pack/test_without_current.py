"""A pack that drives or charges while no current is known: to lose it makes no answer better.

The packs are made here in closed form; the heat is the cells' own, and no liquid flows at all.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from support.packs import cell_voltages, drive_current, layout, series

from busplan.answers import Answer
from busplan.pack.kinds import PackTest, kind_of
from busplan.pack.report import PackReport, evaluate_pack
from busplan.pack.sections import sections
from busplan.pack.series import PackSeries, Trace
from busplan.pack.whole import judge_whole

Array = np.ndarray[Any, np.dtype[Any]]
MODULES, MINUTES = 12, 15.0
CHARGING = 90.0


def own_heat(amps: Array, period: float) -> tuple[Array, Array]:
    """Times and readings of modules that nothing but their own current warms, by 10 K in all."""
    heat = np.cumsum(amps**2)
    rise = 10.0 * heat / heat[-1]
    every = max(round(1.0 / period), 1)
    scatter = np.random.default_rng(4).normal(0.0, 0.1, (len(rise[::every]), 2 * MODULES))
    readings = np.round((20.0 + rise[::every, None] + scatter) / 0.5) * 0.5
    return np.arange(len(readings)) * every * period, readings


def pack(known: Trace | None, amps: Array, period: float = 0.1) -> PackSeries:
    time = np.arange(len(amps)) * period
    heated, temperatures = own_heat(amps, period)
    volts = cell_voltages(time, amps, np.full(8 * MODULES, 0.6e-3))
    return series(
        cell_time=time,
        voltages=volts,
        sensor_time=heated,
        temperatures=temperatures,
        **({} if known is None else {"current": known}),
    )


def driven() -> Array:
    return drive_current(MINUTES)[1]


def charged() -> Array:
    return np.full(int(MINUTES * 60.0), -CHARGING * 3.0)


def judged(made: PackSeries, test: PackTest | None = None, *, mapped: bool = False) -> PackReport:
    plan = layout(MODULES, quantities=("current",) if mapped else ())
    return evaluate_pack(made, plan, test=test)


def section(report: PackReport, name: str) -> Any:
    return next(s for s in sections(report) if s.name == name)


def test_a_drive_of_unknown_current_is_a_drive_and_shows_no_flow() -> None:
    report = judged(pack(None, driven()))
    whole = judge_whole(report)
    assert report.test is PackTest.DRIVE
    assert whole.answer is Answer.NOT_SHOWN
    assert "resistance" in whole.open
    assert any("[pack.quantities]" in step for step in whole.steps)
    assert not any("accelerations" in step for step in whole.steps)


def test_a_current_that_stood_still_in_a_drive_makes_it_no_warm_up() -> None:
    amps = driven()
    time = np.arange(len(amps)) * 0.1
    report = judged(pack(Trace(time, np.full(len(time), 3.2), 0.1), amps), mapped=True)
    assert report.test is PackTest.DRIVE
    assert {f.code for f in report.findings} == {"current-still"}
    asked = judged(
        pack(Trace(time, np.full(len(time), 3.2), 0.1), amps), PackTest.WARM_UP, mapped=True
    )
    assert section(asked, "warm-up").answer is Answer.NOT_SHOWN


@pytest.mark.parametrize("course", [driven, charged])
def test_own_heat_clears_no_module_where_no_current_is_known(course: Any) -> None:
    period = 0.1 if course is driven else 1.0
    report = judged(pack(None, course(), period), PackTest.WARM_UP)
    assert report.warm_up is not None
    assert report.warm_up.loaded
    assert {m.answer for m in report.warm_up.modules} == {Answer.NOT_SHOWN}
    assert "no current is known" in section(report, "warm-up").missing


def test_a_pack_that_stands_is_judged_without_its_current() -> None:
    amps = driven()
    made = pack(None, amps)
    still = cell_voltages(np.arange(len(amps)) * 0.1, 0.0 * amps, np.full(8 * MODULES, 0.6e-3))
    cells = tuple(replace(c, value=v) for c, v in zip(made.cells, still.T, strict=True))
    report = judged(replace(made, cells=cells))
    assert report.test is PackTest.WARM_UP
    assert report.warm_up is not None
    assert not report.warm_up.loaded


@pytest.mark.parametrize(
    ("run_v", "test"), [(0.3, "charge"), (-0.3, "drive"), (0.1, "rest"), (-0.1, "rest")]
)
def test_cells_that_run_away_are_charged_or_driven(run_v: float, test: str) -> None:
    time = np.arange(0.0, 900.0)
    cells = tuple(Trace(time, 3.7 + run_v * time / time[-1], 0.001) for _ in range(8))
    assert kind_of(PackSeries(cells, (), {}, 900.0)) == test


@pytest.mark.parametrize(
    ("capacity", "amps", "loaded"), [(None, 39.0, False), (200.0, 41.0, True), (20.0, 12.0, True)]
)
def test_small_cells_warm_themselves_by_less_current(
    capacity: float | None, amps: float, loaded: bool
) -> None:
    flat = np.full(int(MINUTES * 60.0), amps)
    time = np.arange(len(flat)) * 1.0
    plan = replace(layout(MODULES, quantities=("current",)), capacity_ah=capacity)
    made = pack(Trace(time, flat, 0.1), flat, 1.0)
    report = evaluate_pack(made, plan, test=PackTest.WARM_UP)
    assert report.warm_up is not None
    assert report.warm_up.loaded is loaded


def test_one_module_has_nobody_to_be_as_even_as() -> None:
    time, amps = drive_current(MINUTES)
    volts = cell_voltages(time, amps, np.full(7, 0.6e-3))
    even = np.round(20.0 + time[::10, None] / 400.0)
    made = series(
        cell_time=time,
        voltages=volts,
        sensor_time=time[::10],
        temperatures=even,
        current=Trace(time, amps, 0.1),
    )
    report = evaluate_pack(made, layout(1, cells=7, sensors=1, quantities=("current",)))
    whole = judge_whole(report)
    assert "evenness of modules" not in {*whole.open, *(s.name for s in whole.sections)}


@pytest.mark.parametrize(("hours", "open_"), [(4.0, ("self-discharge",)), (0.5, ())])
def test_a_night_of_unknown_current_says_nothing_of_self_discharge(
    hours: float, open_: tuple[str, ...]
) -> None:
    time = np.arange(0.0, hours * 3600.0, 5.0)
    rng = np.random.default_rng(6)
    volts = 3.7 + rng.normal(0.0, 0.0005, (len(time), 24))
    volts[:, 7] -= 0.003 * time / 3600.0  # loses charge
    made = series(cell_time=time, voltages=np.round(volts, 3))
    report = evaluate_pack(made, layout(3, sensors=0))
    assert report.test is PackTest.REST
    whole = judge_whole(report)
    assert whole.open == open_
    assert any("[pack.quantities]" in step for step in whole.steps) is bool(open_)


@pytest.mark.parametrize("heard", [slice(None, 40), slice(-40, None)])
def test_a_current_that_was_heard_for_a_moment_is_not_known(heard: slice) -> None:
    amps = driven()
    amps[:40] = amps[-40:] = 1.0  # at rest while it was heard
    time = np.arange(len(amps)) * 0.1
    made = pack(Trace(time[heard], amps[heard], 0.1), amps)
    report = judged(made, mapped=True)
    assert report.test is PackTest.DRIVE
    assert section(report, "evenness of cells").answer is Answer.NOT_SHOWN
    asked = judged(made, PackTest.WARM_UP, mapped=True)
    assert section(asked, "warm-up").answer is Answer.NOT_SHOWN


def test_a_misread_current_asks_for_its_remedy_and_not_for_another_drive() -> None:
    amps = driven()
    time = np.arange(len(amps)) * 0.1
    report = judged(pack(Trace(time, -amps, 0.1), amps), PackTest.DRIVE, mapped=True)
    assert "current-sign-wrong" in {f.code for f in report.findings}
    assert section(report, "resistance").missing == "mend that, and judge this again"
    assert judge_whole(report).steps == ("Set current_sign = -1 in [pack] of the plan.",)
