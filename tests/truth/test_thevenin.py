"""The cell truth held against closed forms and SciPy, and its measuring against what it states."""

import numpy as np
import pytest
from scipy.integrate import quad_vec, trapezoid

from truth import cell_packs, thevenin
from truth.as_series import pack_series


def test_the_stated_resistance_is_the_answer_to_a_step():
    cells = thevenin.make_cells(1, 6, temperature_c=np.linspace(5, 30, 6), busbar_ohm={2: 1e-4})
    step, amperes = 0.01, 100.0
    current = np.zeros(2001)
    current[1001:] = amperes
    still = thevenin.voltages(cells, 0 * current, step)
    volts = thevenin.voltages(cells, current, step)
    for after in (0.1, 1.0, 9.0):
        k = 1001 + round(after / step)
        moved = amperes * (after + step / 2) / (3600 * cells.capacity_ah)
        curve = thevenin.open_circuit(cells.charge) - thevenin.open_circuit(cells.charge - moved)
        told = (still[:, k] - volts[:, k] - curve) / amperes
        # The step has a width of one sample: half a sample is its uncertainty in time.
        early, late = cells.resistance(after), cells.resistance(after + step)
        assert np.all((told > early - 1e-9) & (told < late + 1e-9))


def test_voltages_agree_with_a_convolution():
    """V by quadrature of the impulse response, cell by cell, on a current of straight lines."""
    cells = thevenin.make_cells(4, 3)
    current = thevenin.drive_current(2, 60.0)
    volts = thevenin.voltages(cells, current, 0.01)
    grid = np.arange(len(current)) * 0.01
    end = 47.3

    def kernel(s: float) -> np.ndarray:
        weight = sum(
            cells.pair_ohm / 2 * np.exp(-(end - s) / (p * cells.pair_s)) / (p * cells.pair_s)
            for p in thevenin.SPLIT
        )
        return weight.sum(axis=1) * np.interp(s, grid, current)

    points = np.flatnonzero(np.abs(np.diff(current, 2)) > 1e-9) * 0.01
    lagged = quad_vec(kernel, 0, end, points=points[points < end], epsabs=1e-9)[0]
    k = round(end / 0.01)
    moved = trapezoid(current[: k + 1], dx=0.01) / (3600 * cells.capacity_ah)
    told = thevenin.open_circuit(cells.charge - moved) - cells.ohm * current[k] - lagged
    assert volts[:, k] == pytest.approx(told, abs=2e-6)


def test_temperature_follows_its_activation_energy():
    cells = thevenin.make_cells(1, 4, energy_kj=30.0, temperature_c=np.array([25.0, 13.0, 25, 25]))
    factor = np.exp(30000 / 8.314 * (1 / 286.15 - 1 / 298.15))
    raw = thevenin.make_cells(1, 4, energy_kj=30.0)
    assert cells.resistance(1.0)[1] / raw.resistance(1.0)[1] == pytest.approx(factor)
    assert cells.resistance(1.0)[0] == raw.resistance(1.0)[0]
    assert cells.resistance(1.0, at_reference=True)[1] == raw.resistance(1.0)[1]


def test_planted_cells_are_what_they_say():
    plain = thevenin.make_cells(3)
    odd = thevenin.make_cells(3, raised={5: 1.5}, weak={7: 0.9}, leak_ma={8: 50})
    assert odd.resistance(10.0)[5] / plain.resistance(10.0)[5] == pytest.approx(1.5)
    assert odd.capacity_ah[7] / plain.capacity_ah[7] == pytest.approx(0.9)
    missing = (1 - odd.charge) * odd.capacity_ah - (1 - plain.charge) * plain.capacity_ah
    assert missing == pytest.approx(0)
    assert odd.leak_a[8] == 0.05


def test_a_frame_carries_the_voltages_of_its_delay_ago():
    pack = cell_packs.drive(2, cells=8, minutes=2.0, noise_v=0.0, step_v=1e-6, delays=(0.1, 0.3))
    volts = thevenin.voltages(pack.cells, thevenin.drive_current(2, 120.0), 0.01)
    ticks = np.arange(volts.shape[1])
    assert np.ptp(pack.delay_s) > 0.01
    for i, reading in enumerate(pack.reading):
        ago = (pack.frame_s[i // 4] - pack.delay_s[i // 4]) * 100
        assert reading == pytest.approx(np.interp(ago, ticks, volts[i]), abs=2e-6)
        prompt = np.interp(pack.frame_s[i // 4] * 100, ticks, volts[i])
        assert np.abs(reading - prompt).max() > 0.02


def test_readings_have_their_steps_and_the_pack_its_joint():
    pack = cell_packs.drive(5, cells=16, minutes=2.0, step_v=0.005, joint_ohm=2e-3, delays=(0, 0),
                            pack_delay_s=0.0)  # fmt: skip
    assert np.allclose(pack.reading[0] / 0.005, np.round(pack.reading[0] / 0.005))
    total = sum(np.interp(pack.pack_s, pack.frame_s[i // 4], v) for i, v in enumerate(pack.reading))
    amps = np.interp(pack.pack_s, pack.current_s, pack.current_a)
    slope = np.polyfit(amps, total - pack.pack_v, 1)[0]
    assert slope == pytest.approx(2e-3, abs=2e-4)


def test_a_drive_with_stops_stands_still_often():
    current = thevenin.drive_current(1, 600.0, stops=True, idle_a=1.0)
    town = thevenin.drive_current(1, 600.0, rest_s=120.0)
    starts = np.flatnonzero(np.diff((np.abs(current - 1.0) < 1e-9).astype(int)) == 1)
    assert len(starts) > 10
    assert np.all(town[-11000:] == 0)
    assert current.max() == pytest.approx(300.0)
    assert current.min() == pytest.approx(-75.0)


def test_a_charge_holds_its_highest_cell_and_a_weak_one_shows():
    pack = cell_packs.charging(1, weak={3: 0.9}, weak_aligned="bottom", from_charge=0.04)
    highest = max(r.max() for r in pack.reading)
    assert highest == pytest.approx(4.2, abs=0.004)
    assert pack.reading[3][-1] == highest or pack.reading[3][-1] > np.median(
        [r[-1] for r in pack.reading]
    )
    assert pack.current_a.min() == pytest.approx(-40, abs=2)
    assert abs(pack.current_a[-1]) < 4


def test_a_leak_drifts_as_stated():
    pack = cell_packs.rest(2, loses_mv_h={4: 0.6}, load_minutes=0.0, noise_v=0.0, step_v=1e-6)
    fall = np.array([r[0] - r[-1] for r in pack.reading]) * 1000 / 6
    assert fall[4] - np.median(fall) == pytest.approx(0.6, rel=0.05)
    assert pack.leak_mv_h[4] == pytest.approx(0.6, rel=0.05)
    assert np.delete(pack.leak_mv_h, 4) == pytest.approx(0)


def test_a_pack_becomes_series_in_the_layout_s_order():
    series, layout = pack_series(cell_packs.drive(1, cells=32, minutes=1.0), without=["voltage"])
    assert [len(layout.cells), len(series.cells), len(layout.sensors)] == [32, 32, 8]
    assert layout.modules == ("M1", "M2", "M3", "M4")
    assert set(layout.quantities) == set(series.quantities)
    assert "voltage" not in series.quantities
    assert series.span_s == pytest.approx(60.0, abs=0.1)
