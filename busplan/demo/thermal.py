"""The demo's liquid loop: pump, heater or radiator, 12 modules in parallel branches. Invented.

A module is one lump of heat capacity ``C`` behind a heat exchanger of conductance ``UA``; its
branch carries a capacity flow ``w = ṁ·c_p`` [W/K]. The liquid leaves the branch at
``T_out = T_m + (T_in − T_m)·exp(−UA/w)``, so the module takes up ``k·(T_in − T_m)`` with

    k = w·(1 − exp(−UA/w))                       (effectiveness–NTU, one side isothermal)
    C·dT_m/dt = k·(T_in − T_m) + g·(T_air − T_m) + Q
    C_l·dT_l/dt = W·(T_ret − T_l),   T_in = T_l + (P − R)/W,  W = Σw

where ``T_l`` is the well-mixed liquid in pipes and tank, ``T_ret`` the mixed return, ``P`` the
power of heater or heat gun, ``R`` radiator power, ``g`` the loss to the air, ``Q`` heat made in the
cells.
(Effectiveness–NTU relation: any heat-transfer handbook; quoted from memory.)
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import F64

MODULES = tuple(f"{enclosure}{n}" for enclosure in "ABCD" for n in (1, 2, 3))
LAZY_MODULE = "C2"
LAZY_FLOW = 0.4
"""Flow through C2 as a part of its peers', while an air pocket sits in its branch."""
STUCK_MODULE = "D1"
STUCK_POSITION = 2
"""The sensor of D1 that is stuck: 2, the outlet side."""
START_C = 14.0

MODULE_HEAT_J_K = 18_000.0
BRANCH_FLOW_W_K = 90.0
"""Capacity flow of one branch at full pump speed: about 1.5 l/min of water and glycol."""
EXCHANGER_W_K = 270.0
LOSS_W_K = 0.8
LOOP_HEAT_J_K = 43_000.0
HEATER_W = 5_000.0
HEATER_RAMP_S = 60.0
GUN_W_K = 30.0
"""Conductance from a heat gun's air through the radiator into the liquid."""
GUN_C = 120.0
GUN_BURST_S = 110.0
GUN_EVERY_S = 150.0
"""A hand-held gun blows in bursts: so long, each so often."""
AIR_CLEARS_S = 1200.0
"""When the air pocket leaves C2's branch in the gun warm-up."""
INLET_WEIGHT = (0.12, 0.04)
"""How far the inlet-side and the outlet-side sensor lean from the module towards the inlet."""


@dataclass(frozen=True)
class Loop:
    """What one run of the loop is like. ``flow`` ``(12,)`` is relative to an ordinary branch."""

    flow: F64
    start_c: F64
    air_c: float
    target_c: float
    heater_w: float = HEATER_W
    radiator_w_k: float = 0.0
    heat_from_s: float = 0.0
    gun_w_k: float = 0.0
    clears_s: float = np.inf
    """When the air pocket leaves C2's branch, which then flows like an ordinary one [s]."""

    def cleared(self) -> Loop:
        """The loop after its air pocket has left."""
        flow = self.flow.copy()
        flow[MODULES.index(LAZY_MODULE)] = 1.0
        return replace(self, flow=flow)

    def branches(self) -> tuple[F64, F64, float, F64]:
        """Of each branch: capacity flow, conductance, their total flow [W/K], share passed on."""
        w = self.branch_w_k
        return w, self.conductance_w_k, float(w.sum()), np.exp(-EXCHANGER_W_K / w)

    def gun(self, time_s: float, liquid_c: float) -> float:
        """Power of the heat gun at a time [W]."""
        since = time_s - self.heat_from_s
        blows = since >= 0 and since % GUN_EVERY_S < GUN_BURST_S
        return self.gun_w_k * (GUN_C - liquid_c) if blows else 0.0

    @property
    def branch_w_k(self) -> F64:
        """Capacity flow of each branch [W/K], ``(12,)``."""
        return BRANCH_FLOW_W_K * self.flow

    @property
    def conductance_w_k(self) -> F64:
        """Heat taken up per kelvin between inlet and module [W/K], ``(12,)``."""
        w = self.branch_w_k
        return np.asarray(w * (1 - np.exp(-EXCHANGER_W_K / w)), np.float64)


@dataclass(frozen=True)
class LoopRun:
    """A run over time: ``module`` ``(n, 12)``, the others ``(n,)``; temperatures [°C], power [W].

    ``heater`` and ``radiator`` are the powers over the step that starts at each time.
    """

    time_s: F64
    module: F64
    inlet: F64
    outlet: F64
    liquid: F64
    heater: F64
    radiator: F64


def make_loop(
    seed: int, *, start_c: float, air_c: float, target_c: float, lazy: bool, **more: float
) -> Loop:
    """A loop with ordinary scatter of flows and start temperatures; ``lazy`` puts air into C2."""
    random = np.random.default_rng([seed, 12])
    flow = 1 + 0.03 * np.clip(random.standard_normal(len(MODULES)), -2, 2)
    start = start_c + 0.08 * np.clip(random.standard_normal(len(MODULES)), -2, 2)
    if lazy:
        flow[MODULES.index(LAZY_MODULE)] = LAZY_FLOW
    return Loop(flow, start, air_c, target_c, **more)


def run_loop(loop: Loop, heat_w: npt.ArrayLike, duration_s: float, step_s: float = 0.5) -> LoopRun:
    """Follow the loop in small steps (forward Euler, so that energy balances step by step).

    ``heat_w`` is the heat made in one module [W]: a number, or one for each of the n time points.
    """
    n = round(duration_s / step_s) + 1
    time: F64 = np.arange(n) * np.float64(step_s)
    heat = np.broadcast_to(np.asarray(heat_w, np.float64), (n,))
    w, k, total, passed = loop.branches()
    module = np.empty((n, len(MODULES)))
    inlet, outlet, liquid = np.empty(n), np.empty(n), np.empty(n)
    heater, radiator = np.empty(n), np.empty(n)
    modules, mixed = loop.start_c.copy(), float(loop.start_c.mean())
    clears = int(np.searchsorted(time, loop.clears_s))
    for i in range(n):
        if i == clears:
            w, k, total, passed = loop.cleared().branches()
        ramp = min(max((time[i] - loop.heat_from_s) / HEATER_RAMP_S, 0.0), 1.0)
        heating = min(max(total * (loop.target_c - mixed), 0.0), loop.heater_w * ramp)
        heating += loop.gun(float(time[i]), mixed)
        cooling = max(loop.radiator_w_k * (mixed - loop.air_c), 0.0)
        entering = mixed + (heating - cooling) / total
        leaving = float(w @ (modules + (entering - modules) * passed)) / total
        module[i], inlet[i], outlet[i], liquid[i] = modules, entering, leaving, mixed
        heater[i], radiator[i] = heating, cooling
        into = k * (entering - modules) + LOSS_W_K * (loop.air_c - modules) + heat[i]
        modules = modules + step_s * into / MODULE_HEAT_J_K
        mixed += step_s * total * (leaving - mixed) / LOOP_HEAT_J_K
    return LoopRun(time, module, inlet, outlet, liquid, heater, radiator)


def sensor_temperatures(run: LoopRun, seed: int) -> F64:
    """True temperature at each sensor [°C], shape ``(n, 12, 2)``: inlet side, outlet side.

    A sensor leans a little towards the inlet and has a small offset of its own.
    """
    random = np.random.default_rng([seed, 24])
    offset = 0.06 * np.clip(random.standard_normal((len(MODULES), 2)), -2, 2)
    lean = (run.inlet[:, None] - run.module)[:, :, None] * np.asarray(INLET_WEIGHT)
    return np.asarray(run.module[:, :, None] + lean + offset, np.float64)
