"""Solved cells as kept: what was planted is in the voltages, and sizes fit published ones."""

import numpy as np
import pytest
from scipy.integrate import trapezoid

from truth import solved_cells
from truth.as_series import pack_series
from truth.solved_store import FOLDER, load


def test_they_are_small():
    assert sum(p.stat().st_size for p in FOLDER.glob("*.npz")) < 2e6


@pytest.mark.parametrize(("cell", "low", "high"), [("chen", 20e-3, 45e-3), ("mohtat", 4e-3, 45e-3)])
def test_a_step_in_the_drive_falls_by_the_stated_resistance(cell, low, high):
    """Chen et al. 2020 (from memory): an LG M50 of 5 Ah has some 30 milliohm."""
    kept = load(f"{cell}_drive_{11 if cell == 'chen' else 21}")
    ohm = kept["ohm"]
    assert np.all((ohm[:, 1, 1] > low) & (ohm[:, 1, 1] < high))
    assert np.all(np.diff(ohm, axis=2) > 0)
    # The first step upwards that stands for a second, after a level that has stood for four.
    step = float(kept["step_s"])
    amps = np.interp(np.arange(30001) * step, kept["corner_s"], kept["corner_c"])
    still = np.abs(np.diff(amps)) < 1e-9
    k = next(
        i
        for i in range(200, 29000)
        if amps[i + 10] - amps[i] > 0.2
        and still[i - 200 : i - 2].all()
        and still[i + 10 : i + 50].all()
    )
    fall = kept["volts"][:, k] - kept["volts"][:, k + 50]
    told = fall / ((amps[k + 50] - amps[k]) * kept["nominal_ah"])
    assert told == pytest.approx(ohm[:, :, 1].mean(axis=1), rel=0.4)


def test_raised_and_cold_cells_are_what_they_say():
    plain = solved_cells.drive(4, cells=16, minutes=2.0)
    odd = solved_cells.drive(4, cells=16, minutes=2.0, raised={5: 1.5})
    assert odd.resistance(1.0)[5] / plain.resistance(1.0)[5] == pytest.approx(1.5)
    assert np.delete(odd.resistance(1.0), 5) == pytest.approx(np.delete(plain.resistance(1.0), 5))
    dip = [min(p.reading[5]) for p in (plain, odd)]
    assert dip[0] - dip[1] > 0.05
    cold = solved_cells.drive(4, cells=16, minutes=2.0, cold=(1,))
    factor = np.median(cold.resistance(1.0)[8:]) / np.median(cold.resistance(1.0)[:8])
    assert 1.1 < factor < 1.6
    assert np.median(cold.temperature[:, 1]) == pytest.approx(13, abs=0.5)


@pytest.mark.parametrize("cell", ["chen", "mohtat", "prada"])
def test_a_weak_cell_takes_less_between_two_voltages(cell):
    """Aligned at the bottom it runs ahead: it stands highest and has stopped the charge."""
    weak = solved_cells.charging(1, cell=cell, weak={3: 0.9}, aligned="bottom", from_charge=0.04)
    ends = np.array([r[-1] for r in weak.reading])
    assert ends.argmax() == 3
    assert weak.capacity_ah[3] / np.median(weak.capacity_ah) == pytest.approx(0.9, abs=0.01)
    starts = np.array([r[0] for r in weak.reading])
    top = solved_cells.charging(1, cell=cell, weak={3: 0.9}, aligned="top")
    low = np.array([r[0] for r in top.reading])
    assert low.argmin() == 3
    assert abs(starts[3] - np.median(starts)) < np.median(low) - low[3] or cell == "prada"


def test_lost_lithium_has_another_shape_and_windows_are_cut():
    lost = solved_cells.charging(2, lithium_lost={4: 0.10})
    assert lost.capacity_ah[4] / np.median(lost.capacity_ah) < 0.9
    part = solved_cells.charging(2, from_charge=0.3, to_charge=0.5)
    moved = -trapezoid(part.current_a, part.current_s) / 3600
    assert moved == pytest.approx(0.2 * np.median(part.capacity_ah), rel=0.03)
    assert part.charge == pytest.approx(0.3, abs=0.02)


def test_a_leaking_cell_falls_by_its_stated_drift():
    for cell in ("chen", "mohtat"):
        leaky = solved_cells.rest(3, cell=cell, leak_ma={7: 100.0}, noise_v=0.0, step_v=1e-5)
        whole = solved_cells.rest(3, cell=cell, noise_v=0.0, step_v=1e-5)
        assert 0.3 < leaky.leak_mv_h[7] < 2.0
        assert np.delete(leaky.leak_mv_h, 7) == pytest.approx(0, abs=1e-6)
        fall = [(r[200] - r[-1]) * 1000 for r in leaky.reading]
        usual = [(r[200] - r[-1]) * 1000 for r in whole.reading]
        hours = (leaky.frame_s[1][-1] - leaky.frame_s[1][200]) / 3600
        assert fall[7] - np.median(usual) == pytest.approx(leaky.leak_mv_h[7] * hours, abs=1.0)


def test_they_become_series():
    series, layout = pack_series(solved_cells.drive(1, cells=24, minutes=1.0))
    assert len(series.cells) == len(layout.cells) == 24
