"""Warm-ups of plates as channels: one maker with every knob, and named cases.

``channel_test(seed, **knobs)``; ``case(name, seed, **knobs)``; ``population(seed, liquid=…)``.
Sensors here sit at places along a plate, have a lag of two equal stages, and speak in slow
messages, each box at its own time. All sizes are invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.signal import lfilter

from truth.channel import SLICES, ChannelRun, Channels, run_channels

Array = np.ndarray[Any, np.dtype[Any]]


@dataclass(frozen=True)
class ChannelTest:
    """A warm-up as recorded, and its truth.

    Module i is received at ``time_s[i]`` (n,), its readings are ``reading[i]`` (n, per module).
    ``exchange`` (m,) is true at full pump speed, ``exchange_slow`` at the lowest speed of the test.
    """

    time_s: list[Array]
    reading: list[Array]
    liquid_s: Array
    liquid: Array | None
    plates: Channels
    run: ChannelRun
    exchange: Array
    exchange_slow: Array
    lag_s: Array
    flow_share: Array
    step_k: float
    name: str

    @property
    def bad(self) -> tuple[int, ...]:
        return self.plates.bad

    @property
    def healthy(self) -> Array:
        return ~np.isin(np.arange(self.plates.modules), self.bad)


def channel_test(
    seed: int,
    *,
    modules: int = 16,
    boxes: int = 2,
    minutes: float = 20.0,
    share: float | None = None,
    bad: int | None = None,
    liquid: bool = False,
    step_k: float = 0.5,
    per_module: int = 2,
    period_s: float = 10.0,
    sensor_lag_s: float = 15.0,
    offset_sd_k: float = 0.2,
    start_sd_k: float = 0.12,
    noise_k: float = 0.05,
    flow_sd: float = 0.08,
    flow_kg_s: float = 0.028,
    body_j_k: float = 12_500.0,
    wall_j_k: float = 1_500.0,
    power_w: float = 300.0,
    thermostat_k: float = 40.0,
    hysteresis_k: float = 3.0,
    pump: tuple[tuple[float, float], ...] = ((0.0, 1.0),),
    pipe_s: tuple[float, float] = (5.0, 20.0),
    draught_k: float = 0.0,
    draught_w_k: float = 3.0,
    second_kind: float = 0.0,
    plateau_s: float = 60.0,
    name: str = "channel",
) -> ChannelTest:
    """One test. ``share``: flow of module ``bad`` (random) against its kind's; ``power_w`` each.

    ``thermostat_k``: the heater goes off at this much above the start, on ``hysteresis_k`` below.
    ``draught_k``: air this much colder on the first modules of each box, losing ``draught_w_k``.
    ``second_kind``: every other pair of modules is of another kind, with this factor of mass and,
    by its channels, of length and area.
    """
    rng = np.random.default_rng([seed, 7301])
    start = float(rng.uniform(8, 20))
    kind = (np.arange(modules) // 2 % 2) if second_kind else np.zeros(modules, np.int64)
    factor = np.where(kind == 1, second_kind or 1.0, 1.0)
    # A longer plate takes less flow from the same pressure: laminar flow, inverse to its length.
    flow = flow_kg_s / factor * (1 + flow_sd * rng.standard_normal(modules).clip(-2.5, 2.5))
    chosen = int(rng.integers(modules)) if bad is None else bad
    if share is not None:
        flow[chosen] = max(share, 1e-3) * flow_kg_s / factor[chosen]
    box = np.arange(modules) * boxes // modules
    windy = np.zeros(modules, bool)
    if draught_k:
        for b in range(boxes):
            members = np.flatnonzero(box == b)
            windy[members[: max(len(members) // 3, 1)]] = True
    plates = Channels(
        flow=flow,
        box=box,
        pipe_s=tuple(np.linspace(*pipe_s, boxes)) if boxes > 1 else pipe_s[:1],
        kind=kind,
        wall_j_k=wall_j_k * factor * (1 + 0.02 * rng.standard_normal(modules)),
        body_j_k=body_j_k * factor * (1 + 0.02 * rng.standard_normal(modules)),
        contact_w_k=250.0 * factor * (1 + 0.04 * rng.standard_normal(modules)),
        wet_kg=0.16 * factor,
        area_m2=0.42 * factor * (1 + 0.02 * rng.standard_normal(modules)),
        bore_m=4e-3,
        length_m=0.9 * factor,
        parallel=36,
        wall_w_k=0.6,
        body_w_k=0.3,
        loss_w_k=np.where(windy, draught_w_k, 0.9),
        air_c=start - np.where(windy, draught_k, 0.0),
        start_c=start + start_sd_k * rng.standard_normal(modules),
        tank_kg=0.35 * modules,
        power_w=power_w * modules,
        heat_from_s=plateau_s,
        on_below_c=start + thermostat_k - hysteresis_k,
        off_above_c=start + thermostat_k,
        pump=pump,
        bad=() if share is None else (chosen,),
    )
    run = run_channels(plates, minutes * 60)
    places = np.linspace(0, 1, 2 * per_module + 1)[1::2]
    at = (places * SLICES).astype(int).clip(0, SLICES - 1)
    offset = offset_sd_k * rng.standard_normal((modules, per_module))
    seen = _slow(_slow(run.body[:, :, at], sensor_lag_s / 2), sensor_lag_s / 2) + offset
    phases = rng.uniform(0, period_s, boxes)
    times, readings = [], []
    for i in range(modules):
        when = np.arange(phases[box[i]], run.time_s[-1], period_s)
        value = np.array([np.interp(when, run.time_s, seen[:, i, p]) for p in range(per_module)]).T
        value = value + rng.normal(0, noise_k, value.shape)
        times.append(when)
        readings.append(np.round(value / step_k) * step_k)
    liquid_s = np.arange(0.0, run.time_s[-1], 1.0)
    told = None
    if liquid:
        warm = np.interp(liquid_s, run.time_s, _slow(run.supply[:, None], 6.0)[:, 0])
        told = np.round((warm + rng.normal(0, 0.05, len(warm))) / 0.1) * 0.1
    lag, slowest = plates.lag_s(), min(s for _, s in pump)
    slow_lag = lag if slowest == 1 else plates.lag_s(slowest)
    return ChannelTest(
        times,
        readings,
        liquid_s,
        told,
        plates,
        run,
        plates.exchange(lag),
        plates.exchange(slow_lag),
        lag,
        flow / (flow_kg_s / factor),
        step_k,
        f"{name} {seed}",
    )


def _slow(values: Array, lag_s: float) -> Array:
    """One stage of a sensor's lag at one value a second, at rest at the start."""
    keep = np.exp(-1.0 / lag_s)
    return lfilter([1 - keep], [1, -keep], values - values[:1], axis=0) + values[:1]


def population(
    seed: int, *, liquid: bool = False, healthy: bool = False, share: float | None = None
) -> ChannelTest:
    """A random pack of plates: 6 to 24 modules, one or two kinds, thermostat, pump steps, draught,
    10 to 40 minutes, 0.5 or 1 K, messages each 1 to 10 s; one module with 3 to 90 % of its flow."""
    rng = np.random.default_rng([seed, 7302])
    minutes = float(rng.choice([10, 20, 40]))
    steps: tuple[tuple[float, float], ...] = ((0.0, 1.0),)
    if rng.random() < 0.5:
        at = float(rng.uniform(0.3, 0.7)) * minutes * 60
        steps = ((0.0, 1.0), (at, float(rng.uniform(0.5, 0.8))))
    drawn = float(np.exp(rng.uniform(np.log(0.03), np.log(0.9))))
    return channel_test(
        seed,
        modules=int(rng.integers(6, 25)),
        boxes=int(rng.integers(1, 3)),
        minutes=minutes,
        share=None if healthy else drawn if share is None else share,
        liquid=liquid,
        step_k=float(rng.choice([0.5, 1.0])),
        per_module=int(rng.integers(1, 3)),
        period_s=float(rng.choice([1, 2, 5, 10])),
        sensor_lag_s=float(rng.uniform(5, 50)),
        offset_sd_k=float(rng.uniform(0.1, 0.4)),
        start_sd_k=float(rng.uniform(0.05, 0.25)),
        noise_k=float(rng.uniform(0.02, 0.1)),
        flow_kg_s=float(rng.uniform(0.018, 0.04)),
        body_j_k=float(rng.uniform(8_000, 25_000)),
        power_w=float(rng.uniform(180, 420)),
        thermostat_k=float(rng.choice([14.0, 20.0, 40.0])),
        pump=steps,
        draught_k=float(rng.choice([0.0, 0.0, 8.0])),
        second_kind=float(rng.choice([0.0, 0.0, 1.5])),
        name="channel population",
    )


CASES: Mapping[str, Mapping[str, Any]] = {
    "healthy": {},
    "third flow": {"share": 0.3},
    "tenth flow": {"share": 0.1},
    "thermostat": {"thermostat_k": 12.0, "minutes": 30.0, "share": 0.1},
    "thermostat, healthy": {"thermostat_k": 12.0, "minutes": 30.0},
    "pump steps": {"pump": ((0.0, 1.0), (500.0, 0.6), (900.0, 1.0)), "share": 0.1},
    "pump steps, healthy": {"pump": ((0.0, 1.0), (500.0, 0.6), (900.0, 1.0))},
    "draught": {"draught_k": 10.0, "share": 0.1},
    "draught, healthy": {"draught_k": 10.0},
    "two kinds": {"second_kind": 1.5, "share": 0.1},
    "two kinds, healthy": {"second_kind": 1.5},
    "quick messages": {"period_s": 1.0, "share": 0.1},
    "single sensors": {"per_module": 1, "share": 0.1},
}


def case(name: str, seed: int, **knobs: Any) -> ChannelTest:
    """A named case; ``knobs`` override it."""
    return channel_test(seed, **{"name": name, **CASES[name], **knobs})
