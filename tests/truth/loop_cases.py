"""Warm-ups to judge: one maker with every knob, the random population, and the named disturbances.

``warm_up(seed, **knobs)`` is one test. ``population(seed, liquid=…)`` draws the constants of the
plant too. ``CASES`` names disturbances as knobs: ``case("offset", seed, offset_k=3.0)``.
All values are invented; sizes as in the docstring of ``loop``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from truth.loop import FLOW, GUN, HEATER, OFF, Loop
from truth.loop_sensors import Sensors, WarmUp, record

CAPACITY = 15_000.0
POWER_PER_MODULE = 4500.0 / 16
GUN_PER_MODULE = 28.0 / 16


def warm_up(
    seed: int,
    *,
    modules: int = 16,
    boxes: int = 2,
    in_series: int = 1,
    minutes: float = 20.0,
    source: str = "heater",
    liquid: bool = False,
    step_k: float = 0.5,
    share: float | Mapping[int, float] | None = None,
    bad: int | None = None,
    bad_box: int | None = None,
    per_module: int = 1,
    sensor_lag_s: float = 25.0,
    slow_sensor_s: float = 0.0,
    offset_sd_k: float = 0.25,
    offset_k: float = 0.0,
    offset_on: str = "healthy",
    start_sd_k: float = 0.15,
    noise_k: float = 0.04,
    period_s: float = 1.0,
    flow_sd: float = 0.08,
    ua_sd: float = 0.03,
    capacity_sd: float = 0.02,
    capacity_factor: float = 1.0,
    ua_factor: float = 1.0,
    ramp_factor: float = 1.0,
    loss_w_k: float = 1.2,
    ambient_k: float = 0.0,
    rear_pipe_s: float = 18.0,
    start_c: float | None = None,
    plateau_s: float = 40.0,
    skip_s: float = 0.0,
    heat_w: float = 0.0,
    frozen_s: float | None = None,
    flow_changes: tuple[tuple[float, float], ...] = (),
    drift_k: float = 0.0,
    second_kind: float = 0.0,
    name: str = "warm-up",
) -> WarmUp:
    """One test. ``share`` is the flow through the branch of module ``bad`` (random when ``None``)
    against an ordinary one, or shares by module; ``bad_box`` gives it to a whole box.

    ``offset_k`` goes on the first sensor of one module: ``offset_on`` "healthy" or "bad".
    ``slow_sensor_s`` is added to the lag of one healthy module's first sensor; ``frozen_s``
    freezes that sensor. ``flow_changes`` are (time, share) of the bad branch. ``source``: heater,
    gun, cooler, none. ``ambient_k`` is the air against the pack; ``drift_k`` (source none): so far
    off that a rested pack drifts about this much. ``second_kind`` makes every other branch of
    modules with this factor of heat capacity and conductance.
    """
    rng = np.random.default_rng([seed, 7001])
    branches = -(-modules // in_series)
    branch = np.arange(modules) // in_series
    place = np.arange(modules) % in_series
    box_of_branch = np.arange(branches) * boxes // branches
    box = box_of_branch[branch]
    start = float(rng.uniform(10, 22)) if start_c is None else start_c
    flow = FLOW * (1 + flow_sd * rng.standard_normal(branches).clip(-2.5, 2.5))
    ua = 160.0 * ua_factor * (1 + ua_sd * rng.standard_normal(modules))
    capacity = CAPACITY * capacity_factor * (1 + capacity_sd * rng.standard_normal(modules))
    starts = start + start_sd_k * rng.standard_normal(modules)
    chosen = int(rng.integers(modules)) if bad is None else bad
    healthy = (chosen + 1 + int(rng.integers(max(modules - 1, 1)))) % modules
    lean = rng.uniform(0.05, 0.10) + 0.02 * rng.standard_normal((modules, per_module))
    lag = np.full((modules, per_module), sensor_lag_s)
    offset = offset_sd_k * rng.standard_normal((modules, per_module))
    heats = heat_w * (1 + 0.2 * rng.standard_normal(modules)) if heat_w else np.zeros(0)

    bads: set[int] = set()
    shares = dict(share) if isinstance(share, Mapping) else {}
    if isinstance(share, float | int):
        shares = {chosen: float(share)}
        if bad_box is not None:
            shares = {int(i): float(share) for i in np.flatnonzero(box == bad_box)}
    for module, part in shares.items():
        flow[branch[module]] = part * FLOW
        bads |= set(np.flatnonzero(branch == branch[module]).tolist())
    changes = tuple((at, int(branch[chosen]), part * FLOW) for at, part in flow_changes)
    if changes:
        bads |= set(np.flatnonzero(branch == branch[chosen]).tolist())
    offset[chosen if offset_on == "bad" else healthy, 0] += offset_k
    lag[healthy, 0] += slow_sensor_s
    frozen = {} if frozen_s is None else {(healthy, 0): frozen_s}
    kind = np.zeros(modules, np.int64)
    if second_kind:
        kind = branch % 2
        capacity = np.where(kind == 1, capacity * second_kind, capacity)
        ua = np.where(kind == 1, ua * second_kind, ua)

    scale = modules * capacity_factor * ramp_factor
    loss = loss_w_k
    air, target = start + ambient_k, start + 24.0
    kinds = {"heater": HEATER, "cooler": HEATER, "gun": GUN, "none": OFF}
    if source == "cooler":
        target = start - 24.0
    if drift_k:
        # A body that loses g of C relaxes by 1 - exp(-g t/C) of its distance to the air.
        air = start + drift_k / -np.expm1(-loss * minutes * 60 / (CAPACITY * capacity_factor * 1.2))
    loop = Loop(
        flow=flow,
        branch=branch,
        place=place,
        box=box,
        pipe_s=tuple(np.linspace(4.0, rear_pipe_s, boxes)) if boxes > 1 else (4.0,),
        ua=ua,
        capacity=capacity,
        core_share=np.full(modules, 0.7),
        core_w_k=np.full(modules, 220.0),
        start_c=starts,
        air_c=air,
        loss_w_k=loss,
        tank_j_k=1000.0 * modules,
        source=kinds[source],
        # A cooler of half the power moves the pack by some 12 K in 20 minutes.
        power_w=POWER_PER_MODULE * scale * (0.65 if source == "cooler" else 1.0),
        target_c=target,
        source_from_s=plateau_s,
        gun_w_k=GUN_PER_MODULE * scale,
        heat_w=heats,
        flow_changes=changes,
        kind=kind,
        bad=tuple(sorted(bads)),
    )
    sensors = Sensors(
        lean=lean,
        lag_s=lag,
        offset_k=offset,
        noise_k=noise_k,
        step_k=step_k,
        period_s=period_s,
        frozen=frozen,
        liquid_known=liquid,
        liquid_lag_s=float(rng.uniform(4, 15)),
        liquid_offset_k=0.2 * float(rng.standard_normal()),
    )
    # What the current heats: I^2 R with 3 milliohm in a module.
    current = float(np.sqrt(heat_w / 3e-3)) if heat_w else None
    made = record(loop, sensors, minutes * 60, rng, name=name, skip_s=skip_s, current_a=current)
    return replace(made, name=f"{name} {seed}")


def population(
    seed: int, *, liquid: bool = False, healthy: bool = False, share: float | None = None
) -> WarmUp:
    """One pack of the random population: plant, sensors and test drawn at random.

    6 to 32 modules, lag 117 to 540 s, UA x 0.5 to 2, ramp x 0.5 to 1.4, 40 % heat gun, 10/20/40
    minutes, 0.5 or 1 K, 1 or 2 sensors of 10 to 60 s, offsets of sd 0.1 to 0.5 K, starts 0.05 to
    0.3 K, noise 0.02 to 0.1 K, loss 0.5 to 3 W/K. One random branch has a flow ``share`` drawn from
    0.08 to 0.95, none when ``healthy``.
    """
    rng = np.random.default_rng([seed, 7002])
    ua_factor = float(np.exp(rng.uniform(np.log(0.5), np.log(2.0))))
    wc = FLOW * 3500.0
    per_joule = 1 / (wc * -np.expm1(-160.0 * ua_factor / wc)) + 0.7 / 220.0
    lag_s = float(np.exp(rng.uniform(np.log(117.0), np.log(540.0))))
    drawn = float(rng.uniform(0.08, 0.95))
    return warm_up(
        seed,
        modules=int(rng.integers(6, 33)),
        boxes=int(rng.integers(1, 3)),
        minutes=float(rng.choice([10, 20, 40])),
        source="gun" if rng.random() < 0.4 else "heater",
        liquid=liquid,
        step_k=float(rng.choice([0.5, 1.0])),
        share=None if healthy else drawn if share is None else share,
        per_module=int(rng.integers(1, 3)),
        sensor_lag_s=float(rng.uniform(10, 60)),
        offset_sd_k=float(rng.uniform(0.1, 0.5)),
        start_sd_k=float(rng.uniform(0.05, 0.3)),
        noise_k=float(rng.uniform(0.02, 0.1)),
        capacity_factor=lag_s / per_joule / CAPACITY,
        ua_factor=ua_factor,
        ramp_factor=float(rng.uniform(0.5, 1.4)),
        loss_w_k=float(rng.uniform(0.5, 3.0)),
        name="population",
    )


CASES: Mapping[str, Mapping[str, Any]] = {
    "healthy": {},
    "half flow": {"share": 0.5},
    "third flow": {"share": 0.3},
    "gun": {"source": "gun", "minutes": 40.0, "step_k": 1.0, "share": 0.3},
    "gun, healthy": {"source": "gun", "minutes": 40.0, "step_k": 1.0},
    "offset": {"offset_k": 1.0},
    "offset, half flow": {"offset_k": -1.0, "offset_on": "bad", "share": 0.5},
    "two sensors, one off": {"per_module": 2, "offset_k": -3.0},
    "all sensors slow": {"sensor_lag_s": 90.0, "share": 0.5},
    "one sensor slow, alone": {"slow_sensor_s": 90.0},
    "one sensor slow, of two": {"slow_sensor_s": 90.0, "per_module": 2},
    "four modules": {"modules": 4, "share": 0.3},
    "eight modules": {"modules": 8, "share": 0.3},
    "two modules": {"modules": 2, "share": 0.4},
    "many modules": {"modules": 200, "share": 0.3, "boxes": 4},
    "four of sixteen": {"share": {1: 0.4, 5: 0.4, 9: 0.4, 13: 0.4}},
    "seven of sixteen": {"share": dict.fromkeys((1, 3, 5, 7, 9, 11, 13), 0.4)},
    "one of three": {"modules": 3, "boxes": 1, "share": {0: 0.4}},
    "start scatter": {"start_sd_k": 0.5},
    "start scatter, half flow": {"start_sd_k": 0.5, "share": 0.5},
    "noise": {"noise_k": 0.15, "share": 0.5},
    "no plateau": {"skip_s": 300.0, "minutes": 25.0, "share": 0.5},
    "no plateau, healthy": {"skip_s": 300.0, "minutes": 25.0},
    "rear pipe long": {"rear_pipe_s": 60.0},
    "whole box": {"share": 0.5, "bad_box": 1},
    "ambient": {"ambient_k": -10.0, "share": 0.4},
    "flow scatter": {"flow_sd": 0.15, "share": 0.4},
    "cells heated": {"heat_w": 20.0, "share": 0.5},
    "cells heated more": {"heat_w": 60.0, "share": 0.5},
    "cool-down": {"source": "cooler", "start_c": 35.0, "share": 0.3},
    "cool-down, healthy": {"source": "cooler", "start_c": 35.0},
    "stuck, alone": {"frozen_s": 0.0},
    "stuck, of two": {"frozen_s": 0.0, "per_module": 2},
    "no flow": {"share": 0.0},
    "freezes": {"frozen_s": 600.0},
    "air clears": {"share": 0.3, "flow_changes": ((600.0, 1.0),)},
    "air clears early": {"share": 0.02, "flow_changes": ((400.0, 1.0),)},
    "flow stops": {"flow_changes": ((600.0, 0.0),)},
    "series": {
        "in_series": 4,
        "source": "gun",
        "minutes": 40.0,
        "share": 0.4,
        "boxes": 1,
    },
    "series, healthy": {"in_series": 4, "source": "gun", "minutes": 40.0, "boxes": 1},
    "two kinds": {"second_kind": 1.6, "share": 0.3},
    "two kinds, healthy": {"second_kind": 1.6},
    "rest": {"source": "none", "minutes": 360.0, "period_s": 10.0, "drift_k": 0.8},
}
"""Disturbances by name, as knobs of :func:`warm_up`; heater 20 min 0.5 K unless they say else."""


def case(name: str, seed: int, **knobs: Any) -> WarmUp:
    """A named case; ``knobs`` override it (``liquid=True``, ``offset_k=3.0``, ``share=None``)."""
    return warm_up(seed, **{"name": name, **CASES[name], **knobs})
