"""Capacity and balance against peers, on cells that others made: circuits, and solved cells.

What is true comes with the packs (``tests/truth``); thresholds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from truth import cell_packs, solved_cells
from truth.as_series import pack_series

from busplan.answers import Answer
from busplan.pack import capacity as judged
from busplan.pack.capacity import Capacity, capacity_findings, fit_capacity, full_ah, steady_rows
from busplan.pack.report import evaluate_pack
from busplan.pack.sections import sections
from busplan.pack.series import Trace
from busplan.pack.stretch import LENGTHS, _length

NONE: frozenset[tuple[str, int]] = frozenset()


def fit(pack: Any, **more: Any) -> Capacity:
    series, layout = pack_series(pack, **more)
    found = fit_capacity(series, NONE, layout, pack.step_v)
    assert found is not None
    return found


@cache
def healthy() -> tuple[Any, Capacity]:
    pack = cell_packs.charging(11)
    return pack, fit(pack)


def relative(pack: Any) -> Any:
    return pack.capacity_ah / np.median(pack.capacity_ah)


def test_a_healthy_pack_is_good_and_its_intervals_hold() -> None:
    pack, found = healthy()
    assert set(found.answers) == {Answer.GOOD}
    assert all(t in i for t, i in zip(relative(pack), found.intervals, strict=True))
    assert max(i.high - i.low for i in found.intervals) < 0.012
    assert found.window == pytest.approx(0.66, abs=0.03)
    assert found.amps == pytest.approx(40.0, abs=1.0)


def test_the_charge_by_which_cells_are_ahead_is_told_with_the_time_to_balance() -> None:
    pack, found = healthy()
    # Each cell's state of charge when the pack stood at the middle of the window, from the truth.
    cells = pack.cells
    passed = -np.cumsum(pack.current_a) / 3600.0
    rows = steady_rows(pack.current_s, pack.current_a)
    middle = (passed[rows].min() + passed[rows].max()) / 2
    state = (cells.charge + middle / cells.capacity_ah) * np.median(cells.capacity_ah)
    ahead = state - np.median(state)
    held = [t in i for t, i in zip(ahead, found.balance_intervals, strict=True)]
    assert np.mean(held) >= 0.9
    assert np.abs(found.ahead_ah - ahead).max() < 0.5
    apart = found.to_balance_ah
    assert np.ptp(ahead) in apart
    hours = found.hours_to_balance(0.1)
    assert (hours.low, hours.high) == pytest.approx((apart.low * 10.0, apart.high * 10.0))
    series, layout = pack_series(pack, balancing_current_a=0.1)
    told = next(s for s in sections(evaluate_pack(series, layout)) if s.name == "capacity")
    assert f"{hours.low:.2g} to {hours.high:.2g} h of balancing at 0.1 A" in told.text
    assert told.answer is Answer.GOOD


@pytest.mark.parametrize(
    ("share", "options"),
    [(0.95, {"to_charge": 0.7}), (0.9, {"aligned": "bottom"}), (0.8, {})],
)
def test_a_solved_cell_of_less_capacity_is_found_and_no_other(
    share: float, options: dict[str, Any]
) -> None:
    pack = solved_cells.charging(5, weak={3: share}, **options)
    found = fit(pack)
    told = relative(pack)
    assert [int(i) for i in found.weak if told[i] >= judged.WEAK] == []
    assert found.answers[3] is Answer.BAD
    assert told[3] in found.intervals[3]
    assert found.intervals[3].high < judged.WEAK
    layout = pack_series(pack)[1]
    summary = capacity_findings(found, layout)[0].summary
    low, high = found.intervals[3].low, found.intervals[3].high
    assert f"{100 * low:.1f} % to {100 * high:.1f} %" in summary


@pytest.mark.parametrize(
    ("lost", "options"),
    [
        (0.05, {}),
        (0.1, {}),
        (0.05, {"to_charge": 0.7}),
        (0.05, {"to_charge": 0.7, "cell": "mohtat"}),
    ],
)
def test_a_cell_that_lost_lithium_has_another_shape_and_is_refused(
    lost: float, options: dict[str, Any]
) -> None:
    pack = solved_cells.charging(5, lithium_lost={3: lost}, **options)
    found = fit(pack)
    assert found.answers[3] is Answer.NOT_SHOWN
    assert "another shape" in found.refused[3]
    assert found.misfit[3] > 1.2 * judged.MOST_MISFIT
    others = np.delete(np.arange(24), 3)
    assert not any(found.refused[i] for i in others)
    assert all(relative(pack)[i] in found.intervals[i] for i in others)


@pytest.mark.parametrize(
    ("options", "chemistry", "why"),
    [
        ({"from_charge": 0.3, "to_charge": 0.5}, "NMC", "% are needed"),
        ({"step_v": 0.005}, "NMC", "steps of 5 mV"),
        ({}, "LFP", "too flat"),
    ],
)
def test_what_forbids_a_capacity_is_said_with_the_test_that_would_show_it(
    options: dict[str, Any], chemistry: str, why: str
) -> None:
    found = fit(cell_packs.charging(3, **options), chemistry=chemistry)
    assert why in found.missing
    assert "charge" in found.missing
    assert set(found.answers) == {Answer.NOT_SHOWN}
    assert not found.told.any()


def test_a_flat_curve_is_refused_whatever_the_plan_calls_it() -> None:
    found = fit(solved_cells.charging(2, cell="prada"), chemistry="own")
    assert "too flat" in found.missing


def test_a_plans_capacity_counts_before_the_state_of_charge_and_none_refuses() -> None:
    pack, _ = healthy()
    series, layout = pack_series(pack)
    assert full_ah(series, layout) == pytest.approx(np.median(pack.capacity_ah), rel=0.02)
    assert full_ah(series, replace(layout, capacity_ah=120.0)) == 120.0
    found = fit(pack, without=["state_of_charge"])
    assert "capacity_ah" in found.missing
    # Of 300 Ah this charge would be a fifth.
    assert "are needed" in fit(pack, capacity_ah=300.0).missing


def test_cells_not_heard_throughout_or_faulty_are_refused_alone() -> None:
    pack, whole = healthy()
    series, layout = pack_series(pack)
    cut = series.cells[2]
    kept = (cut.time_s < 3000.0) | (cut.time_s > 3600.0)
    cells = (*series.cells[:2], Trace(cut.time_s[kept], cut.value[kept], cut.step))
    series = replace(series, cells=(*cells, *series.cells[3:]))
    found = fit_capacity(series, frozenset({("cell", 7)}), layout, pack.step_v)
    assert found is not None
    refused = [i for i, why in enumerate(found.refused) if why]
    assert refused == [2, 7]
    assert found.answers[2] is found.answers[7] is Answer.NOT_SHOWN
    kept_cells = np.delete(np.arange(24), refused)
    assert found.relative[kept_cells] == pytest.approx(whole.relative[kept_cells], abs=0.002)


def test_a_current_in_doubt_tells_no_capacity() -> None:
    pack, _ = healthy()
    series, layout = pack_series(pack)
    found = fit_capacity(series, NONE, layout, pack.step_v, "the current has the wrong sign")
    assert found is not None
    assert "wrong sign" in found.missing
    assert set(found.answers) == {Answer.NOT_SHOWN}


def test_a_drive_tells_no_capacity() -> None:
    found = fit(cell_packs.drive(4, cells=8, minutes=4.0, current_hz=10.0))
    assert "steady" in found.missing


def test_rows_near_a_leap_of_the_current_are_left_out() -> None:
    time = np.arange(0.0, 6000.0)
    amps = np.where(time < 100.0, 0.0, -40.0)
    amps[time >= 3000.0] = -20.0
    kept = steady_rows(time, amps)
    # 15 minutes after a leap, seen within the minute after it; and the minute before it.
    assert np.flatnonzero(np.diff(kept.astype(int))) == pytest.approx([1059, 2939, 3959], abs=2)
    fading = -40.0 * np.exp(-np.maximum(time - 1500.0, 0.0) / 900.0)
    assert steady_rows(time, fading)[961:4900].all()


@pytest.mark.parametrize(("capacity", "answer"), [(0.985, Answer.GOOD), (0.962, Answer.NOT_SHOWN)])
def test_good_needs_an_interval_that_shows_it(capacity: float, answer: Answer) -> None:
    blank = np.zeros(12)
    values = np.full(12, 1.0) + 0.001 * np.arange(12)
    values[4] = capacity
    found = Capacity(values, np.full(12, 0.008), blank, blank, blank, ("",) * 12)
    assert found.answers[4] is answer
    sure = replace(found, uncertainty=np.full(12, 0.001))
    assert sure.answers[4] is (Answer.GOOD if capacity > judged.WEAK else Answer.BAD)


@pytest.mark.parametrize("length", LENGTHS[1:-1])
def test_the_length_of_an_error_is_found_from_all_cells(length: float) -> None:
    """An Ornstein-Uhlenbeck error is made by its own recursion (common practice, no source)."""
    rng = np.random.default_rng(11)
    near = np.exp(-1.0 / length)
    error = [rng.normal(size=60)]
    for _ in range(199):
        error.append(near * error[-1] + np.sqrt(1.0 - near**2) * rng.normal(size=60))
    left = 0.002 * np.array(error)
    design = np.zeros((200, 60, 3))
    design[..., 0], design[..., 1] = 0.1, 0.1 * np.linspace(-1.0, 1.0, 200)[:, None]
    design[..., 2] = 50.0
    kept = np.ones(left.shape, np.bool_)
    assert _length(left, design, kept, np.zeros(60), 2e-4) == length
