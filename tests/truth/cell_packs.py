"""A measured pack of cells: frames with their own delays, steps and noise, and its truth.

``drive(seed, …)``, ``charging(seed, …)`` and ``rest(seed, …)`` make one from ``thevenin`` cells;
``measured`` does so from any true voltages (``solved_cells`` uses it too). A frame received at t
carries the voltages of t - delay; frames of a pack are spread over the period.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from truth.loop_sensors import low_pass
from truth.thevenin import (
    Cells,
    Measuring,
    charge_profile,
    drive_current,
    make_cells,
    open_circuit,
    voltages,
)

Array = np.ndarray[Any, np.dtype[Any]]


@dataclass(frozen=True)
class CellPack:
    """What was received, and what is true.

    ``frame_s`` are the times of each frame's receptions; cell i sits in frame ``i // per_frame``,
    its readings are ``reading[i]`` then. ``delay_s`` by frame is true. ``resistance(t)``
    gives true ohms (c,). ``temperature`` are readings (module, sensor) at ``temperature_s``.
    """

    frame_s: list[Array]
    reading: list[Array]
    per_frame: int
    delay_s: Array
    current_s: Array
    current_a: Array
    pack_s: Array
    pack_v: Array
    per_module: int
    temperature_s: Array
    temperature: Array
    span_s: float
    step_v: float
    cells: Cells | None
    resistance: Callable[[float], Array]
    joint_ohm: float = 0.0
    capacity_ah: Array | None = None
    charge: float = 0.65
    leak_mv_h: Array | None = None
    """True drift at rest by the leak [mV/h] of each cell against none."""

    def relative(self, after_s: float) -> Array:
        own = self.resistance(after_s)
        return own / np.median(own)


def measured(
    true_v: Array,
    current: Array,
    step_s: float,
    rng: np.random.Generator,
    how: Measuring,
    *,
    per_module: int,
    module_c: Array,
    resistance: Callable[[float], Array],
    cells: Cells | None = None,
    joint_ohm: float = 0.0,
    temperature_step_k: float = 0.5,
    sensors: int = 2,
    capacity_ah: Array | None = None,
    charge: float = 0.65,
) -> CellPack:
    """Measure true voltages ``(c, n)`` [V] and current ``(n,)`` [A] on a uniform grid."""
    c, n = true_v.shape
    grid = np.arange(n) * step_s
    end = grid[-1]
    frames = -(-c // how.cells_per_frame)
    delay = how.delay_s
    if delay is None:
        delay = rng.uniform(*how.delays, frames)
    seen = true_v
    if how.filter_s:
        seen = np.array([low_pass(v, how.filter_s, step_s) for v in true_v])
    times, reading = [], []
    for f in range(frames):
        phase = how.period_s * (f + rng.random()) / frames
        count = int((end - phase) / how.period_s) + 1
        at = phase + how.period_s * np.arange(count) + rng.uniform(0, 0.0004, count)
        times.append(at[at <= end])
    for i in range(c):
        f = i // how.cells_per_frame
        value = np.interp(times[f] - delay[f], grid, seen[i])
        value += rng.normal(0, how.noise_v, len(value))
        reading.append(np.round(value / how.step_v) * how.step_v)
    current_s = np.arange(0.0, end, max(1 / how.current_hz, step_s))
    amps = np.interp(current_s, grid, current) * how.current_gain + how.current_offset_a
    amps = amps + rng.normal(0, how.current_noise_a, len(amps))
    pack_s = np.arange(how.pack_period_s / 2, end, how.pack_period_s)
    total = true_v.sum(axis=0) - joint_ohm * current
    pack = np.interp(pack_s - how.pack_delay_s, grid, total) * how.pack_gain
    pack = pack + rng.normal(0, how.pack_noise_v, len(pack))
    temperature_s = np.arange(0.3, end, 0.5 if end < 4000 else 10.0)
    warm = module_c[None, :, None] + 0.1 * rng.standard_normal((1, len(module_c), sensors))
    warm = warm + 0.04 * rng.standard_normal((len(temperature_s), len(module_c), sensors))
    return CellPack(
        frame_s=times,
        reading=reading,
        per_frame=how.cells_per_frame,
        delay_s=np.asarray(delay),
        current_s=current_s,
        current_a=np.round(amps / how.current_step_a) * how.current_step_a,
        pack_s=pack_s,
        pack_v=np.round(pack / how.pack_step_v) * how.pack_step_v,
        per_module=per_module,
        temperature_s=temperature_s,
        temperature=np.round(warm / temperature_step_k) * temperature_step_k,
        span_s=float(end),
        step_v=how.step_v,
        cells=cells,
        resistance=resistance,
        joint_ohm=joint_ohm,
        capacity_ah=capacity_ah,
        charge=charge,
    )


def module_temperatures(
    modules: int,
    *,
    mean_c: float = 25.0,
    cold: dict[int, float] | None = None,
    slope_k: float = 0.0,
) -> Array:
    """Temperature of each module [C]: ``cold`` takes kelvins off some, ``slope_k`` end to end."""
    warm = mean_c + slope_k * (np.arange(modules) / max(modules - 1, 1) - 0.5)
    for module, kelvin in (cold or {}).items():
        warm[module] -= kelvin
    return warm


def _split(options: dict[str, Any]) -> tuple[Measuring, dict[str, Any]]:
    names = set(Measuring.__dataclass_fields__)
    how = Measuring(**{k: v for k, v in options.items() if k in names})
    return how, {k: v for k, v in options.items() if k not in names}


def drive(
    seed: int,
    *,
    cells: int = 96,
    per_module: int = 8,
    minutes: float = 10.0,
    peak_a: float = 300.0,
    stops: bool = False,
    rest_s: float = 0.0,
    idle_a: float = 0.0,
    cold: dict[int, float] | None = None,
    slope_k: float = 0.0,
    mean_c: float = 25.0,
    joint_ohm: float = 0.0,
    **options: Any,
) -> CellPack:
    """A drive. Other options go to ``make_cells`` (raised, scatter, energy_kj, …) or ``Measuring``
    (delays, step_v, noise_v, current_hz, period_s, filter_s, current_gain, …)."""
    how, rest_of = _split(options)
    rng = np.random.default_rng([seed, 7103])
    modules = -(-cells // per_module)
    warm = module_temperatures(modules, mean_c=mean_c, cold=cold, slope_k=slope_k)
    made = make_cells(seed, cells, temperature_c=np.repeat(warm, per_module)[:cells], **rest_of)
    current = drive_current(
        seed, minutes * 60, peak_a=peak_a, stops=stops, rest_s=rest_s, idle_a=idle_a
    )
    return measured(
        voltages(made, current, 0.01),
        current,
        0.01,
        rng,
        how,
        per_module=per_module,
        module_c=warm,
        resistance=made.resistance,
        cells=made,
        joint_ohm=joint_ohm,
        capacity_ah=made.capacity_ah,
        charge=float(np.median(made.charge)),
    )


def charging(
    seed: int,
    *,
    cells: int = 24,
    per_module: int = 8,
    from_charge: float = 0.22,
    to_charge: float = 1.0,
    rate_c: float = 0.4,
    hold_v: float = 4.2,
    cold: dict[int, float] | None = None,
    **options: Any,
) -> CellPack:
    """A charge from about ``from_charge`` to ``to_charge`` (or the taper's end). ``weak`` cells are
    aligned with their peers at the window's top or bottom (``weak_aligned``)."""
    options = {"period_s": 1.0, "current_hz": 1.0, "pack_period_s": 1.0, **options}
    how, rest_of = _split(options)
    rng = np.random.default_rng([seed, 7104])
    modules = -(-cells // per_module)
    warm = module_temperatures(modules, cold=cold)
    made = make_cells(
        seed,
        cells,
        charge=from_charge,
        temperature_c=np.repeat(warm, per_module)[:cells],
        **rest_of,
    )
    amperes = rate_c * float(np.median(made.capacity_ah))
    current, volts = charge_profile(made, 1.3 / rate_c, amperes, hold_v)
    if to_charge < 1:
        gained = np.cumsum(-current) / 3600 / np.median(made.capacity_ah)
        stop = int(np.searchsorted(gained, to_charge - from_charge))
        current, volts = current[:stop], volts[:, :stop]
    return measured(
        volts,
        current,
        1.0,
        rng,
        how,
        per_module=per_module,
        module_c=warm,
        resistance=made.resistance,
        cells=made,
        capacity_ah=made.capacity_ah,
        charge=from_charge,
    )


def rest(
    seed: int,
    *,
    cells: int = 24,
    per_module: int = 8,
    hours: float = 6.0,
    load_minutes: float = 15.0,
    load_a: float = 100.0,
    loses_mv_h: dict[int, float] | None = None,
    monitor_drift_mv: float = 0.0,
    **options: Any,
) -> CellPack:
    """A rest after a load that is part of the recording (``load_minutes=0``: none).

    ``leak_ma`` drains cells, ``loses_mv_h`` says the same by its drift. ``monitor_drift_mv``: the
    readings of every frame wander by this much over a day.
    """
    options = {
        "period_s": 10.0,
        "current_hz": 1.0,
        "pack_period_s": 10.0,
        "tau_s": ((3.0, 30.0), (30.0, 300.0), (300.0, 6000.0)),
        **options,
    }
    how, rest_of = _split(options)
    rng = np.random.default_rng([seed, 7105])
    made = make_cells(seed, cells, **rest_of)
    leak = made.leak_a.copy()
    for i, millivolt in (loses_mv_h or {}).items():
        at = made.charge[i] - load_a * load_minutes / 60 / made.capacity_ah[i]
        slope = (open_circuit(at + 0.005) - open_circuit(at - 0.005)) / 0.01
        leak[i] += millivolt / 1000 * made.capacity_ah[i] / slope
    made = replace(made, leak_a=leak)
    n = round(hours * 3600 + load_minutes * 60) + 1
    time = np.arange(n, dtype=float)
    current = np.where(time < load_minutes * 60, load_a, 0.0)
    volts = voltages(made, current, 1.0)
    if monitor_drift_mv:
        frame = np.arange(cells) // how.cells_per_frame
        phase = rng.uniform(0, 2 * np.pi, frame.max() + 1)[frame]
        volts = volts + monitor_drift_mv / 1000 * np.sin(2 * np.pi * time / 86400 + phase[:, None])
    pack = measured(
        volts,
        current,
        1.0,
        rng,
        how,
        per_module=per_module,
        module_c=module_temperatures(-(-cells // per_module)),
        resistance=made.resistance,
        cells=made,
        capacity_ah=made.capacity_ah,
        charge=float(np.median(made.charge)),
    )
    quiet = voltages(replace(made, leak_a=np.zeros(cells)), current, 1.0)
    lost = (quiet[:, -1] - voltages(made, current, 1.0)[:, -1]) * 1000
    return replace(pack, leak_mv_h=lost / ((n - 1) / 3600))
