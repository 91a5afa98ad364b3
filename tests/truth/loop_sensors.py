"""What the sensors of a loop say: lean, lag, offset, noise, rounding, faults; and the whole test.

    x = (1 - lean) T_core + lean T_inlet;  y' = (x - y)/lag;  reading = round((y + o + n)/step) step

A sensor with a lag starts at rest (y(0) = x(0)). Frozen sensors keep the reading of that moment.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.signal import lfilter

from truth.loop import Loop, LoopRun, run_loop

Array = np.ndarray[Any, np.dtype[Any]]


@dataclass(frozen=True)
class Sensors:
    """Sensors of a pack; arrays are ``(modules, per module)``. ``frozen``: (module, place) -> s."""

    lean: Array
    lag_s: Array
    offset_k: Array
    noise_k: float = 0.04
    step_k: float = 0.5
    period_s: float = 1.0
    frozen: Mapping[tuple[int, int], float] = field(default_factory=dict)
    liquid_known: bool = False
    liquid_lag_s: float = 8.0
    liquid_offset_k: float = 0.0
    liquid_step_k: float = 0.1
    liquid_noise_k: float = 0.03


@dataclass(frozen=True)
class WarmUp:
    """A warm-up (or cool-down, or rest) as a technician records it, with its truth.

    ``reading`` ``(n, modules, per module)`` and ``liquid`` ``(n,)`` (``None`` when unknown) at
    ``time_s``; ``exchange``, ``lag_s``, ``flow_share`` ``(m,)`` at the end of the test are true.
    ``exchange_before`` holds before the first change of flow. ``current_a`` is what heats the cells
    (``None``: no current is measured).
    """

    time_s: Array
    reading: Array
    liquid: Array | None
    loop: Loop
    run: LoopRun
    sensors: Sensors
    exchange: Array
    exchange_before: Array
    lag_s: Array
    flow_share: Array
    name: str = "warm-up"
    current_a: float | None = None

    @property
    def bad(self) -> tuple[int, ...]:
        """Modules meant to stand out; the others are healthy."""
        return self.loop.bad

    @property
    def healthy(self) -> Array:
        mask = np.ones(self.loop.modules, bool)
        mask[list(self.bad)] = False
        return mask


def low_pass(values: Array, lag_s: float, step_s: float) -> Array:
    """First-order lag along axis 0, at rest at the start, for values held over each step."""
    if lag_s <= 0:
        return values
    a = np.exp(-step_s / lag_s)
    start = values[:1]
    return start + lfilter([1 - a], [1, -a], values - start, axis=0)


def measure(loop: Loop, run: LoopRun, sensors: Sensors, rng: np.random.Generator) -> Array:
    """Readings at the times of the run, ``(n, modules, per module)``."""
    modules, per = sensors.lean.shape
    step = float(run.time_s[1] - run.time_s[0])
    reading = np.empty((len(run.time_s), modules, per))
    for m in range(modules):
        for p in range(per):
            lean = sensors.lean[m, p]
            body = (1 - lean) * run.core[:, m] + lean * run.inlet[:, m]
            reading[:, m, p] = low_pass(body, float(sensors.lag_s[m, p]), step)
    reading += sensors.offset_k + rng.normal(0, sensors.noise_k, reading.shape)
    if sensors.step_k:
        reading = np.round(reading / sensors.step_k) * sensors.step_k
    for (m, p), since in sensors.frozen.items():
        at = int(np.searchsorted(run.time_s, since))
        reading[at:, m, p] = reading[min(at, len(reading) - 1), m, p]
    return reading


def record(
    loop: Loop,
    sensors: Sensors,
    duration_s: float,
    rng: np.random.Generator,
    *,
    name: str = "warm-up",
    skip_s: float = 0.0,
    current_a: float | None = None,
) -> WarmUp:
    """Run the loop and read its sensors; ``skip_s`` leaves out the beginning (no plateau)."""
    fine = min(1.0, sensors.period_s)
    run = run_loop(loop, duration_s, period_s=fine)
    reading = measure(loop, run, sensors, rng)
    liquid = None
    if sensors.liquid_known:
        seen = low_pass(run.supply, sensors.liquid_lag_s, fine) + sensors.liquid_offset_k
        seen = seen + rng.normal(0, sensors.liquid_noise_k, len(seen))
        liquid = np.round(seen / sensors.liquid_step_k) * sensors.liquid_step_k
    keep = np.arange(round(skip_s / fine), len(run.time_s), round(sensors.period_s / fine))
    seen_run = LoopRun(
        run.time_s[keep] - skip_s,
        *(getattr(run, f)[keep] for f in ("core", "case", "inlet", "supply", "tank")),
    )
    end, before = loop.flow_at(duration_s), loop.flow
    ordinary = np.median(np.delete(before[loop.branch], list(loop.bad)))
    return WarmUp(
        time_s=seen_run.time_s,
        reading=reading[keep],
        liquid=None if liquid is None else liquid[keep],
        loop=loop,
        run=seen_run,
        sensors=sensors,
        exchange=loop.exchange(end),
        exchange_before=loop.exchange(before),
        lag_s=loop.lag_s(end),
        flow_share=end[loop.branch] / ordinary,
        name=name,
        current_a=current_a,
    )
