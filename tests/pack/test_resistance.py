"""Resistances, against ordinary least squares with every parameter spelled out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter
from support.packs import Array, cell_voltages, drive_current, layout

from busplan.pack.resistance import (
    current_steps,
    excitation,
    fit_resistance,
    frames_together,
    low_pass,
    regress,
    resistance_at_steps,
    resistance_findings,
)
from busplan.pack.series import Trace


def cells_of(time: Array, volts: Array) -> list[Trace]:
    return [Trace(time, v, 0.001) for v in volts.T]


def test_projecting_out_equals_spelling_out_every_parameter() -> None:
    # A current of level stretches only, so that no row is left out as "just changing".
    time = np.arange(0.0, 240.0, 0.2)
    amps = 100.0 + 60.0 * np.sin(time / 3.0) + 40.0 * np.sin(time / 11.0)
    volts = cell_voltages(time, amps, np.array([0.5e-3, 0.8e-3]), pair_ohm=0.3e-3)
    drive = excitation(Trace(time, amps, 0.1))
    ours, _ = regress(time, volts, drive, 0.001)
    # Reference: numpy's lstsq over one design matrix, 1, t, q for each block and the causes.
    change = np.abs(np.diff(amps, prepend=amps[:1]))
    near = np.fmax(change, np.append(change[1:], 0.0))
    use = near <= max(np.ptp(amps) / 20, np.median(near))
    block = np.clip(time // (time[-1] / 4), 0, 3)
    q = np.interp(time, drive.grid_s, drive.charge)
    columns = [-amps, *(-np.interp(time, drive.grid_s, p) for p in drive.pairs)]
    for b in range(4):
        for column in (np.ones(len(time)), time / 240, q / 3600):
            columns.append(np.where(block == b, column, 0.0))
    solution = np.linalg.lstsq(np.stack(columns, 1)[use], volts[use], rcond=1e-12)[0]
    assert ours == pytest.approx(solution[0], rel=1e-4)


def test_resistance_is_apart_from_what_a_cell_adds_later() -> None:
    time, amps = drive_current(10.0)
    rng = np.random.default_rng(5)
    ohm = 0.45e-3 * (1 + 0.015 * rng.normal(size=24))
    ohm[7] = 0.608e-3
    volts = cell_voltages(time, amps, ohm, pair_ohm=0.25e-3)
    fit = fit_resistance(cells_of(time, volts), Trace(time, amps, 0.1), 0.001)
    assert fit.judged
    assert fit.value == pytest.approx(ohm, rel=0.02)
    assert fit.steps > 0
    assert fit.step_value == pytest.approx(ohm, rel=0.06)
    assert fit.raised(0.05).tolist() == [7]
    assert fit.extra_sag_v[7] == pytest.approx(0.060, rel=0.05)
    (finding,) = resistance_findings(fit, layout(3), np.full(24, 21.0))
    assert finding.code == "cell-resistance-high"
    assert "Cell 8" in finding.summary
    assert "21 °C" in finding.summary


def test_the_uncertainty_covers_the_error() -> None:
    time, amps = drive_current(6.0)
    scores = []
    for seed in range(8):
        ohm = np.full(12, 0.5e-3)
        volts = cell_voltages(
            time, amps, ohm, noise=0.002, rng=np.random.default_rng(seed), charge=0.5
        )
        fit = fit_resistance(cells_of(time, volts), Trace(time, amps, 0.1), 0.001)
        scores.append((fit.value - ohm) / fit.uncertainty)
    assert 0.5 < np.std(scores) < 1.8


def test_even_cells_raise_none_and_a_steady_current_is_not_judged() -> None:
    time, amps = drive_current(6.0)
    ohm = 0.45e-3 * (1 + 0.02 * np.random.default_rng(1).normal(size=96))
    fit = fit_resistance(
        cells_of(time, cell_voltages(time, amps, ohm)), Trace(time, amps, 0.1), 0.001
    )
    assert fit.judged
    assert fit.raised(0.05).size == 0
    steady = np.full(len(time), -30.0)
    volts = cell_voltages(time, steady, ohm)
    flat = fit_resistance(cells_of(time, volts), Trace(time, steady, 0.1), 0.001)
    assert not flat.judged
    assert flat.raised(0.05).size == 0


def test_current_steps_need_level_stretches_on_both_sides() -> None:
    time = np.arange(0.0, 20.0, 0.1)
    step = np.where(time < 10.0, 0.0, 100.0)
    assert len(current_steps(Trace(time, step))) == 1
    ramp = np.interp(time, [8.0, 12.0], [0.0, 100.0])
    assert current_steps(Trace(time, ramp)) == []


def test_cells_of_one_frame_are_told_by_their_times() -> None:
    a, b = np.arange(10.0), np.arange(10.0) + 0.05
    traces = [Trace(a, a), Trace(b, b), Trace(a.copy(), a), Trace(np.empty(0), np.empty(0))]
    assert sorted(frames_together(traces)) == [[0, 2], [1]]


def test_monitors_out_of_step_with_the_current_do_no_harm() -> None:
    fine, amps = drive_current(8.0, period=0.01)
    ohm = np.full(8, 0.5e-3)
    volts = cell_voltages(fine, amps, ohm)
    traces = []
    for cell in range(8):
        rows = slice(cell, None, 10)  # each cell at its own phase, 10 ms apart
        traces.append(Trace(fine[rows], volts[rows, cell], 0.001))
    fit = fit_resistance(traces, Trace(fine[5::10], amps[5::10], 0.1), 0.001)
    assert fit.value == pytest.approx(ohm, rel=0.02)


@pytest.mark.parametrize("decay", [0.2, 0.99, 0.9999])
def test_low_pass_is_scipys_filter(decay: float) -> None:
    values = np.random.default_rng(1).normal(50.0, 100.0, 30_000)
    # Reference: scipy.signal.lfilter.
    reference = lfilter([1 - decay], [1, -decay], values)
    assert low_pass(values, decay) == pytest.approx(reference, rel=1e-9, abs=1e-7)


@pytest.mark.parametrize(
    ("step_v", "drops_mv", "expected"),
    # By hand, steps of 100 A, resistances [mΩ] with median M; scatter s = 1.4826 · MAD, rounding
    # r = √2 · step/√12 / 100 A (two rounded values), u = √(π/2 · (s² + r²) / n). The √(π/2): the
    # variance of a median of n normal values is π/2 times that of their mean (Kenney and Keeping,
    # "Mathematics of Statistics"; from memory).
    [
        # M 0.5, MAD 0.01: s = 14.826 µΩ, r = 0.04082 µΩ, n = 5.
        (0.00001, (48, 49, 50, 51, 52), 8.3099e-6),
        # No scatter at all: r = 40.825 µΩ, n = 5.
        (0.01, (50, 50, 50, 50, 50), 22.882e-6),
        (0.01, (48, 49, 50, 51, 52), 24.344e-6),
    ],
)
def test_the_uncertainty_of_steps_is_that_of_a_median(
    step_v: float, drops_mv: tuple[int, ...], expected: float
) -> None:
    time = np.arange(0.0, 65.0, 0.1)
    moments = [(10.0 * (i + 1), 10.0 * (i + 1) + 0.1) for i in range(len(drops_mv))]
    amps, volts = np.zeros(len(time)), np.full((len(time), 1), 3.7)
    for (begin, _), drop in zip(moments, drops_mv, strict=True):
        after = time > begin + 0.05
        amps[after] += 100.0
        volts[after] -= drop / 1000.0
    value, uncertainty = resistance_at_steps(time, volts, Trace(time, amps, 0.1), moments, step_v)
    assert value[0] == pytest.approx(0.5e-3, rel=1e-6)
    assert uncertainty[0] == pytest.approx(expected, rel=1e-3)
