"""Joints outside the taps, on made packs whose own resistance there is exact."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from truth import cell_packs
from truth.as_series import pack_series
from truth.cell_packs import CellPack

from busplan.answers import Answer
from busplan.pack.joint_kernels import joint_moments
from busplan.pack.joints import (
    CURRENT_GAIN,
    FLOOR_OHM,
    Joints,
    _told,
    find_joints,
    fit_joints,
    joint_findings,
    joints_section,
)
from busplan.pack.report import evaluate_pack
from busplan.pack.resistance import Resistance, fit_resistance
from busplan.pack.series import PackSeries
from busplan.plan.vehicle import PackLayout

OHM = 0.5e-3


@cache
def made(ohm: float = OHM, **options: Any) -> tuple[CellPack, PackSeries, PackLayout, Resistance]:
    pack = cell_packs.drive(
        12, cells=24, minutes=6.0, joint_ohm=ohm, pack_gain=1.004, pack_delay_s=0.21, **options
    )
    series, layout = pack_series(pack)
    found = fit_resistance(series.cells, series.quantities["current"], pack.step_v)
    return pack, series, layout, found


def judged(reference: float | None, ohm: float = OHM) -> tuple[Joints, PackLayout]:
    _, series, layout, resistance = made(ohm)
    layout = replace(layout, joints_mohm=reference)
    joints = find_joints(series, layout, resistance)
    assert joints is not None
    return joints, layout


@pytest.mark.parametrize("ohm", [0.0, OHM, 5e-3])
def test_the_truth_lies_inside_and_near(ohm: float) -> None:
    joints, _ = judged(None, ohm)
    assert ohm in joints.interval
    assert joints.value == pytest.approx(ohm, abs=0.05e-3)
    assert joints.interval.high - joints.interval.low < 0.5e-3
    assert joints.delay_s == pytest.approx(0.21, abs=0.015)
    if ohm == OHM:
        assert joints.interval.low > 0.3e-3


def test_wrong_delays_of_the_cells_would_move_it_little_a_wrong_one_of_the_pack_is_found() -> None:
    _, series, _, _ = made()
    still = fit_joints(
        series.cells, np.zeros(24), series.quantities["voltage"], series.quantities["current"]
    )
    assert still.value == pytest.approx(OHM, abs=0.1e-3)


def test_without_a_stated_value_it_is_told_and_not_judged() -> None:
    joints, layout = judged(None)
    assert joints.answer is Answer.NOT_SHOWN
    section = joints_section(joints)
    assert section is not None
    assert "0.5" in section.text
    assert "joints_mohm" in section.missing
    assert joint_findings(joints, layout) == []


# 0.3 mΩ above what is stated matters; the figure is 0.5 ± 0.13.
@pytest.mark.parametrize(
    ("reference", "answer"), [(0.5, Answer.GOOD), (0.2, Answer.NOT_SHOWN), (0.0, Answer.BAD)]
)
def test_it_is_judged_against_what_the_plan_states(reference: float, answer: Answer) -> None:
    joints, layout = judged(reference)
    assert joints.answer is answer
    section = joints_section(joints)
    assert section is not None
    assert section.answer is answer
    told = joint_findings(joints, layout)
    assert [f.code for f in told] == ["joint-resistance-high"] * (answer is Answer.BAD)
    if told:
        figures = {f.name: float(f.value) for f in told[0].figures}
        assert figures["resistance from"] < figures["resistance"] < figures["resistance to"]


def test_how_much_more_would_have_been_named_comes_true_and_grows_with_what_is_stated() -> None:
    """A normal figure 1.645 deviations above a bound is above it with 95 % (table)."""
    rng = np.random.default_rng(4)
    least = []
    for stated in (0.0, 8e-3):
        told = Joints(stated, np.hypot(0.065e-3, 0.01 * stated), 0.065e-3, 1.96, 0.2, 300.0, stated)
        assert told.would_name_ohm is not None
        least.append(told.would_name_ohm)
        named = 0
        for error in rng.standard_normal(2000):
            true = stated + told.would_name_ohm
            sd = float(np.hypot(told.own, 0.01 * true))
            again = replace(told, value=true + sd * error, uncertainty=sd)
            named += again.answer is Answer.BAD
        assert named / 2000 == pytest.approx(0.95, abs=0.015)
    assert least[0] < 0.55e-3 < 0.6e-3 < least[1]
    section = joints_section(told)
    assert section is not None
    assert "0.7 mΩ more would have been named" in section.text


def test_what_is_missing_is_said() -> None:
    _, series, layout, resistance = made()
    without = replace(series, quantities={"current": series.quantities["current"]})
    joints = find_joints(without, layout, resistance)
    assert joints is not None
    assert joints.missing == "pack voltage or current did not come"
    mute = replace(resistance, delays=resistance.delays[:-1])
    joints = find_joints(series, layout, mute)
    assert joints is not None
    assert "4 of 24 cells" in joints.missing
    unmapped = replace(layout, quantities={"current": layout.quantities["current"]})
    assert find_joints(series, unmapped, resistance) is None
    low = replace(
        series.quantities["current"], value=series.quantities["current"].value * (59.0 / 376.0)
    )
    joints = find_joints(
        replace(series, quantities={**series.quantities, "current": low}), layout, resistance
    )
    assert joints is not None
    assert "current range under 60 A" in joints.missing
    assert joints_section(joints) is None


def test_the_report_carries_it() -> None:
    _, series, layout, _ = made()
    report = evaluate_pack(series, replace(layout, joints_mohm=0.0))
    assert "joint-resistance-high" in [f.code for f in report.findings]


def test_sums_equal_those_of_matrices_part_by_part() -> None:
    rng = np.random.default_rng(5)
    grid = -2.0 + 0.05 * np.arange(400)
    cells, current = 300 + rng.normal(0, 2, 400), rng.normal(0, 90, 400)
    time = np.sort(rng.uniform(-2.5, 18.5, 700))  # beyond both ends of the grid, too
    volts, part = rng.normal(301, 2, 700), rng.integers(0, 3, 700)
    found = joint_moments(time, volts, part, 4, 0.37, -2.0, 0.05, cells, current)
    held, flowing = (np.interp(time - 0.37, grid, c) for c in (cells, current))
    rows = np.stack([np.ones(700), held - held.mean(), -flowing, volts - held])
    for number in range(4):
        mine = rows[:, part == number]
        assert np.allclose(found[number], mine @ mine.T, rtol=1e-9, atol=1e-7)


def test_the_scatter_is_the_jackknife_of_the_parts() -> None:
    """Of a mean, leaving one out each time gives s / sqrt(n) exactly (Efron; from memory)."""
    parts = 1e-3 * np.random.default_rng(1).normal(5.0, 1.0, 12)
    without = (parts.sum() - parts) / 11
    told = _told(np.array([0.0, 0.0, parts.mean()]), without, 0.0, 300.0)
    spread = np.std(parts, ddof=1) / np.sqrt(12)
    assert told.own == pytest.approx(np.hypot(spread, FLOOR_OHM))
    assert told.uncertainty == pytest.approx(np.hypot(told.own, CURRENT_GAIN * parts.mean()))
