"""The demo's physics against closed forms and conservation of energy and charge."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import trapezoid

from busplan.demo import cells, charge, drive_cycle, thermal


def test_open_circuit_voltage_rises_all_the_way_within_an_nmc_window() -> None:
    # NMC window 2.5 to 4.2 V: references of battery models and cell datasheets; 3.0 V is the lower
    # end the demo vehicle uses (its own invention).
    volts = cells.open_circuit_voltage(np.linspace(0, 1, 1001))
    assert np.all(np.diff(volts) > 0)
    assert volts[0] == pytest.approx(3.0, abs=0.001)
    assert 4.15 < volts[-1] < 4.2


def test_one_cell_answers_a_current_step_as_the_closed_form_says() -> None:
    string = cells.make_cells(0.6, seed=3)
    step = 0.1
    current = np.full(1001, 200.0)
    volts = cells.cell_voltages(string, current, step)
    t = np.arange(1001) * step
    # v(t) = U(z0 − I·t/3600Q) − I·R0 − I·R1·(1 − exp(−t/τ)): solution of the circuit's equations
    # for a step from rest.
    z = string.charge[7] - 200.0 * t / (3600 * string.capacity[7])
    expected = (
        cells.open_circuit_voltage(z)
        - 200.0 * string.resistance[7]
        - 200.0 * string.pair_resistance[7] * (1 - np.exp(-t / string.pair_time))
    )
    assert volts[:, 7] == pytest.approx(expected, abs=1e-9)


def test_the_weak_cell_sags_the_stated_amount_more_at_the_peak() -> None:
    string = cells.make_cells(0.7, seed=1).with_weak_cell()
    current = np.concatenate([np.zeros(10), np.full(2, cells.PEAK_CURRENT_A)])
    sag = np.diff(cells.cell_voltages(string, current, 0.1)[9:11], axis=0)[0]
    extra = np.median(sag) - sag[cells.WEAK_CELL - 1]
    assert extra == pytest.approx(cells.WEAK_CELL_EXTRA_SAG_V, rel=0.02)
    assert np.argmin(sag) == cells.WEAK_CELL - 1


def test_charge_is_conserved() -> None:
    string = cells.make_cells(0.5, seed=2)
    current = 100 * np.sin(np.linspace(0, 20, 5001)) + 30
    left = cells.charge_over_time(string, current, 0.1)
    moved = trapezoid(current, dx=0.1) / 3600
    assert (left[0] - left[-1]) * string.capacity == pytest.approx(np.full(96, moved))


def test_a_seed_gives_the_same_cells_and_another_seed_others() -> None:
    assert np.array_equal(cells.make_cells(0.5, 4).resistance, cells.make_cells(0.5, 4).resistance)
    assert not np.array_equal(
        cells.make_cells(0.5, 4).resistance, cells.make_cells(0.5, 5).resistance
    )


def warm_loop(**changes: object) -> thermal.Loop:
    loop = thermal.make_loop(1, start_c=14.0, air_c=12.0, target_c=38.0, lazy=True)
    return replace(loop, **changes)  # type: ignore


def test_energy_of_a_warm_up_balances() -> None:
    run = thermal.run_loop(warm_loop(), 3.0, 900.0)
    step = 0.5
    heat_in = run.heater[:-1].sum() * step + 12 * 3.0 * 900.0
    lost = thermal.LOSS_W_K * (run.module[:-1] - 12.0).sum() * step
    stored = thermal.MODULE_HEAT_J_K * (run.module[-1] - run.module[0]).sum()
    stored += thermal.LOOP_HEAT_J_K * (run.liquid[-1] - run.liquid[0])
    assert heat_in - lost == pytest.approx(stored, rel=1e-6)


def test_steady_rise_follows_heater_power_over_heat_capacity() -> None:
    run = thermal.run_loop(warm_loop(air_c=14.0, target_c=200.0), 0.0, 2400.0)
    rate = (run.module[-1] - run.module[-201]).mean() / 100.0
    loss = thermal.LOSS_W_K * (run.module[-100] - 14.0).sum()
    capacity = 12 * thermal.MODULE_HEAT_J_K + thermal.LOOP_HEAT_J_K
    assert rate == pytest.approx((thermal.HEATER_W - loss) / capacity, rel=0.02)
    # In a steady rise a first-order body trails its inlet by (rate·C + losses)/k.
    k = warm_loop().conductance_w_k
    behind = run.inlet[-1] - run.module[-1]
    losses = thermal.LOSS_W_K * (run.module[-1] - 14.0)
    assert behind == pytest.approx((rate * thermal.MODULE_HEAT_J_K + losses) / k, rel=0.02)


def test_a_module_at_constant_inlet_is_an_exponential() -> None:
    # A huge flow of liquid at one temperature: T = T_in + (T_0 − T_in)·exp(−t·k/C).
    start = np.full(12, 20.0)
    start[0] = 30.0
    loop = warm_loop(start_c=start, air_c=20.0, target_c=0.0, flow=np.full(12, 1.0))
    run = thermal.run_loop(loop, 0.0, 100.0)
    k = float(loop.conductance_w_k[0]) + thermal.LOSS_W_K
    fall = (run.module[:, 0] - run.inlet) / (run.module[0, 0] - run.inlet[0])
    assert fall[-1] == pytest.approx(np.exp(-100.0 * k / thermal.MODULE_HEAT_J_K), rel=0.05)


def test_the_lazy_branch_exchanges_about_as_little_as_it_flows() -> None:
    k = warm_loop().conductance_w_k
    lazy = thermal.MODULES.index(thermal.LAZY_MODULE)
    assert k[lazy] / np.median(k) == pytest.approx(thermal.LAZY_FLOW, abs=0.04)


def test_current_for_power_solves_the_circuit() -> None:
    power = np.array([-20_000.0, 0.0, 40_000.0, 100_000.0])
    current = drive_cycle.current_for_power(power, 360.0, 0.067)
    assert current * (360.0 - current * 0.067) == pytest.approx(power)


def test_the_drive_uses_the_whole_current_window_and_respects_it() -> None:
    trip = drive_cycle.drive(580.0, 1, voltage=370.0, resistance=0.067)
    assert trip.current.max() == drive_cycle.CURRENT_HIGH_A
    assert trip.current.min() == drive_cycle.CURRENT_LOW_A
    assert (trip.speed < 0.05).mean() > 0.1
    assert trip.speed.max() < 90 / 3.6
    assert np.abs(trip.acceleration).max() < 2.5
    assert trip.distance[-1] == pytest.approx(trapezoid(trip.speed, trip.time_s))


def test_the_charge_holds_the_highest_cell_and_tapers() -> None:
    string = cells.make_cells(0.91, 1).with_full_cell()
    into = charge.charge_current(string, 600.0, 20.0)
    volts = cells.cell_voltages(string, -into, 0.1)
    assert into[:199].max() == 0
    assert into.max() == charge.CHARGE_CURRENT_A
    assert into[-1] < 0.5 * charge.CHARGE_CURRENT_A
    assert volts.max() == pytest.approx(charge.HOLD_VOLTAGE_V, abs=0.001)
    assert volts[-1].argmax() + 1 == cells.FULL_CELL
    # In the taper the current falls with the time constant R·dQ/dU of the held cell, about six
    # minutes; between the two marks it must fall as exp(−t/τ).
    slope = np.diff(cells.open_circuit_voltage([0.96, 0.97]))[0] / 0.01
    tau = (cells.RESISTANCE_OHM + cells.PAIR_RESISTANCE_OHM) * 3600 * cells.CAPACITY_AH / slope
    assert np.log(into[4000] / into[5900]) == pytest.approx(190.0 / tau, rel=0.1)
