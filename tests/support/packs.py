"""Made packs for tests: closed-form models, written without the project's own code."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from busplan.pack.series import PackSeries, Trace
from busplan.plan.vehicle import CellPlace, PackLayout, PackLimits, SensorPlace, SignalAddress

Array = np.ndarray[Any, np.dtype[Any]]


def rounded(values: Array, step: float) -> Array:
    return np.round(values / step) * step if step else values


def module_temperatures(
    minutes: float,
    flows: Array,
    *,
    sensors: int = 2,
    step: float = 0.5,
    noise: float = 0.1,
    peer_rate: float = 1 / 900,
    start: float = 14.0,
    liquid_start: float = 14.0,
    liquid_rise: float = 24.0,
    liquid_time: float = 240.0,
    period: float = 1.0,
    rng: np.random.Generator | None = None,
) -> tuple[Array, Array, Array]:
    """Time (n,), liquid (n,) and rounded sensor temperatures (n, modules * sensors).

    The liquid rises as L = L0 + A (1 − e^(−t/τ)); a body with rate k then follows in closed form:
    T = L0 + A + C1 e^(−t/τ) + C2 e^(−k t), C1 = −A k / (k − 1/τ), C2 = T0 − L0 − A − C1.
    """
    rng = rng or np.random.default_rng(1)
    time = np.arange(0.0, minutes * 60.0 + period / 2, period)
    swing = np.exp(-time / liquid_time)
    liquid = liquid_start + liquid_rise * (1 - swing)
    rate = np.repeat(np.asarray(flows, float) * peer_rate, sensors)
    c1 = -liquid_rise * rate / (rate - 1 / liquid_time)
    c2 = start - liquid_start - liquid_rise - c1
    ideal = liquid_start + liquid_rise + c1 * swing[:, None]
    ideal = ideal + c2 * np.exp(-time[:, None] * rate)
    noisy = ideal + rng.normal(0.0, noise, ideal.shape) if noise else ideal
    return time, liquid, rounded(noisy, step)


def drive_current(minutes: float, *, period: float = 0.1, seed: int = 2) -> tuple[Array, Array]:
    """Time and a current [A] of ramps and levels between −80 and 380 A, with stops."""
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, minutes * 60.0, period)
    corners, levels, at, last = [0.0], [1.0], 20.0, 1.0
    while at < time[-1]:
        level = float(rng.choice([1.0, 380.0, -80.0, 150.0, 60.0, 220.0]))
        corners += [at, at + 0.3 + 2.0 * rng.random()]
        levels += [last, level]
        last, at = level, corners[-1] + rng.uniform(4.0, 15.0)
    return time, np.interp(time, corners, levels)


def cell_voltages(
    time: Array,
    current: Array,
    ohm: Array,
    *,
    charge: Array | float = 0.6,
    capacity_ah: Array | float = 120.0,
    pair_ohm: float = 0.0,
    pair_s: float = 25.0,
    noise: float = 0.0003,
    step: float = 0.001,
    rng: np.random.Generator | None = None,
) -> Array:
    """Voltages (n, cells): U(z) − I R − i₁ R₁ with U(z) = 3.4 + 0.7 z + 0.1 z², rounded."""
    rng = rng or np.random.default_rng(3)
    d = np.diff(time, prepend=time[0])
    z = charge - np.cumsum(current * d)[:, None] / 3600.0 / np.asarray(capacity_ah)
    pair = np.zeros(len(time))
    for k in range(1, len(time)):  # plain forward steps: independent of the project's filter
        pair[k] = pair[k - 1] + d[k] * (current[k - 1] - pair[k - 1]) / pair_s
    volts = 3.4 + 0.7 * z + 0.1 * z**2 - current[:, None] * ohm - (pair * pair_ohm)[:, None]
    return rounded(volts + rng.normal(0.0, noise, volts.shape), step)


def layout(
    modules: int = 12,
    *,
    cells: int = 8,
    sensors: int = 2,
    step_k: float | None = 0.5,
    quantities: Sequence[str] = (),
    **limits: float,
) -> PackLayout:
    """A pack of four modules an enclosure, one monitor each, NMC limits of the demo."""
    names = [f"{'ABCDEFGHIJKLMNOPQRSTUVWXYZ'[i // 3]}{i % 3 + 1}" for i in range(modules)]
    boxes: dict[str, tuple[str, ...]] = {}
    for name in names:
        boxes[name[0]] = (*boxes.get(name[0], ()), name)

    def at(name: str, message: str, signal: str) -> SignalAddress:
        return SignalAddress("pack", f"monitor_{name[0].lower()}", message, signal)

    return PackLayout(
        chemistry="NMC",
        limits=PackLimits(3.0, 4.2, **limits),
        enclosures=boxes,
        cells=tuple(
            CellPlace(
                i + 1,
                names[i // cells],
                at(names[i // cells], f"CellVoltages{i // cells}", f"CellVoltage{i + 1}"),
            )
            for i in range(modules * cells)
        ),
        sensors=tuple(
            SensorPlace(m, p + 1, at(m, "ModuleTemperatures", f"Temperature{m}{p + 1}"))
            for m in names
            for p in range(sensors)
        ),
        quantities={
            q: SignalAddress("pack", "battery_master", "PackStatus", q) for q in quantities
        },
        current_sign=1,
        temperature_resolution_k=step_k,
    )


def series(
    *,
    cell_time: Array | None = None,
    voltages: Array | None = None,
    sensor_time: Array | None = None,
    temperatures: Array | None = None,
    step_v: float = 0.001,
    step_k: float = 0.5,
    **quantities: Trace,
) -> PackSeries:
    """A pack's signals from matrices; all cells share their times, so do all sensors."""
    cells: tuple[Trace, ...] = ()
    sensors: tuple[Trace, ...] = ()
    ends = [0.0]
    if voltages is not None and cell_time is not None:
        ends.append(float(cell_time[-1]))
        cells = tuple(
            Trace(cell_time[k], v[k], step_v, 0.0, 65.535)
            for v in voltages.T
            for k in [np.isfinite(v)]
        )
    if temperatures is not None and sensor_time is not None:
        ends.append(float(sensor_time[-1]))
        sensors = tuple(
            Trace(sensor_time[k], v[k], step_k, -40.0, 87.5)
            for v in temperatures.T
            for k in [np.isfinite(v)]
        )
    named: Mapping[str, Trace] = quantities
    return PackSeries(cells, sensors, named, max(ends))
