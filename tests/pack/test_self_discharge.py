"""Self-discharge at rest, on cells that others made: circuits with slow pairs, and solved cells.

What is true comes with the packs (``tests/truth``); limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from truth import cell_packs, solved_cells
from truth.as_series import pack_series

from busplan.answers import Answer
from busplan.pack.self_discharge import (
    PAIRS,
    SelfDischarge,
    _relaxation,
    fit_self_discharge,
    self_discharge_findings,
)

NONE: frozenset[tuple[str, int]] = frozenset()


def fit(pack: Any, faulty: frozenset[tuple[str, int]] = NONE, **more: Any) -> SelfDischarge:
    found = fit_self_discharge(pack_series(pack, **more)[0], faulty, pack.step_v)
    assert found is not None
    return found


def truth(pack: Any) -> Any:
    own = -pack.leak_mv_h  # against peers that lose nothing
    return own - np.median(own)


@pytest.mark.parametrize(
    ("pack", "cell"),
    [
        (lambda: cell_packs.rest(3, hours=3.0, loses_mv_h={5: 0.5}), 5),
        (lambda: cell_packs.rest(4, hours=6.0, loses_mv_h={5: 0.3}), 5),
        (lambda: solved_cells.rest(5, hours=6.0, leak_ma={2: 30.0}), 2),
    ],
)
def test_the_cell_that_loses_charge_is_named_alone_and_the_intervals_hold(
    pack: Any, cell: int
) -> None:
    made = pack()
    found = fit(made)
    assert found.losing.tolist() == [cell]
    assert found.answers[cell] is Answer.BAD
    assert {a for i, a in enumerate(found.answers) if i != cell} == {Answer.GOOD}
    assert all(t in i for t, i in zip(truth(made), found.intervals, strict=True))
    layout = pack_series(made)[1]
    (finding,) = self_discharge_findings(found, layout)
    assert (finding.code, finding.where.signal) == ("cell-self-discharge", f"V{cell + 1}")
    figures = {f.name: float(f.value) for f in finding.figures}
    assert figures["low"] < truth(made)[cell] < figures["high"] < -figures["limit"] / 3


def test_a_healthy_rest_accuses_nobody_and_says_what_it_would_have_shown() -> None:
    for seed, options in ((1, {}), (2, {"load_a": -50.0}), (3, {"load_minutes": 0})):
        found = fit(cell_packs.rest(seed, cells=12, hours=6.0, **options))
        assert set(found.answers) == {Answer.GOOD}
        assert np.all(found.shows_mv_h <= 0.3)
        assert np.all(found.shows_mv_h > found.limit_mv_h + 1.9 * found.uncertainty)
        assert found.hours == pytest.approx(6.0, abs=0.3)


def test_monitors_that_drift_with_the_day_widen_the_intervals() -> None:
    steady = fit(cell_packs.rest(6, hours=6.0))
    drifting = cell_packs.rest(6, hours=6.0, monitor_drift_mv=1.0)
    found = fit(drifting)
    assert found.losing.tolist() == []
    assert np.median(found.uncertainty) > 2 * np.median(steady.uncertainty)
    held = [t in i for t, i in zip(truth(drifting), found.intervals, strict=True)]
    assert np.mean(held) > 0.9


def test_what_forbids_a_slope_is_said_with_the_test_that_would_show_it() -> None:
    short = fit(cell_packs.rest(1, hours=0.5))
    assert "three hours" in short.missing
    coarse = fit(cell_packs.rest(1, hours=3.0, step_v=0.005))
    assert "steps of 5 mV" in coarse.missing
    for refused in (short, coarse):
        assert set(refused.answers) == {Answer.NOT_SHOWN}
        assert refused.losing.tolist() == []
    unheard = pack_series(cell_packs.rest(1, hours=3.0), without=["current"])[0]
    assert fit_self_discharge(unheard, NONE, 0.001) is None


def test_a_faulty_cell_is_neither_judged_nor_a_peer() -> None:
    pack = cell_packs.rest(7, hours=3.0, loses_mv_h={4: 5.0})
    found = fit(pack, frozenset({("cell", 4)}))
    assert found.answers[4] is Answer.NOT_SHOWN
    assert found.losing.tolist() == []


@pytest.mark.parametrize(
    ("hours", "promised"), [(1.0, 2.0), (2.5, 2.0), (2.95, 0.5), (5.9, 0.3), (23.5, 0.1)]
)
def test_a_short_rest_promises_less(hours: float, promised: float) -> None:
    blank = np.zeros(6)
    found = SelfDischarge(blank, blank + 1e-4, 0.0, hours)
    assert found.promised_mv_h == pytest.approx(promised, rel=0.06)
    # Monitors drift: nothing under three fifths of that is accused, however sure it looks.
    slope = np.array([-0.55, -0.65, 0.65, 0.0, 0.0, 0.0]) * found.promised_mv_h
    assert replace(found, slope=slope).losing.tolist() == [1]


def test_a_cell_is_accused_beyond_what_one_without_loss_would_show() -> None:
    # 3.5 uncertainties of 0.1 mV/h; the part of the slope itself that is unsure is not in them.
    slope = np.array([-0.34, -0.36, 0.0, 0.0, 0.0, 0.0])
    found = SelfDischarge(slope, np.hypot(0.1, 0.08 * slope), 0.0, 3.0)
    assert found.losing.tolist() == [1]


def test_good_needs_an_interval_that_excludes_the_promised_loss() -> None:
    blank = np.zeros(6)
    found = SelfDischarge(blank, np.array([0.1, 0.2, 0.3, np.nan, 0.1, 0.1]), 0.0, 3.0)
    assert [a is Answer.GOOD for a in found.answers] == [True, True, False, False, True, True]
    # An hour is promised to show 2 mV/h only, and half a millivolt matters all the same.
    short = replace(found, hours=1.0)
    assert [a is Answer.GOOD for a in short.answers] == [True, True, False, False, True, True]


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_relaxation_is_found_after_a_drive_and_after_a_charge(sign: float) -> None:
    time = np.arange(30.0, 6 * 3600.0, 60.0)
    pulses = np.exp(-time[:, None] / np.geomspace(300.0, 32400.0, PAIRS))
    made = np.array([0.0, 4.0, 0.0, 0.0, 6.0, 0.0, 0.0])
    mean = 3700.0 + 0.2 * time / 3600.0 + sign * pulses @ made
    assert _relaxation(time, mean, pulses) == pytest.approx(made, abs=0.05)
