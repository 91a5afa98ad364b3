"""A liquid loop of many nodes, integrated in compiled code: one kind of truth for warm-up tests.

Shares no code with the project, nor with ``channel``. Heater (or heat gun, or cooler), tank, pipes
of six stirred cells to each box, modules of three nodes (plate liquid, case, core)::

    C_tank T_tank' = W (T_ret - T_tank) [+ gun: 28 n/16 W/K (120 C - T_tank) while blowing]
    C_h    T_h'    = W (T_tank - T_h) + P(t),      P = min(P_max ramp(t), W (T_set - T_tank))
    pipe cell j of box b:  T_j' = 6/t_b (T_{j-1} - T_j)
    module:  k = w c_p (1 - exp(-UA/(w c_p))),   UA = UA_0 (w/0.028)^0.6
             T_out = T_in - k/(w c_p) (T_in - T_case)
             C_p T_plate'        = w c_p (T_out - T_plate)
             (1-s) C T_case'     = k (T_in - T_case) - h (T_case - T_core) + g (T_air - T_case)
             s C T_core'         = h (T_case - T_core) + Q

The next module of a series branch takes T_plate of the one before as its T_in. Integrated by the
midpoint rule. Effectiveness-NTU with one side isothermal, lumped bodies: Incropera, Fundamentals
of Heat and Mass Transfer (from memory). UA ~ w^0.6: common practice, no source.

**True exchange**, by definition and without simulation: in a steady ramp of rate r of the supply,
the core of a module trails the liquid that enters *its branch* by the time

    lag = C/k + s C/h + (sum over the modules before it in its branch of C/(w c_p)),

since each body takes C r from what feeds it; ambient loss is no part of it. Exchange is the median
lag of the healthy modules at the same place in their branch, of the same kind, over a module's own.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numba
import numpy as np

Array = np.ndarray[Any, np.dtype[Any]]

CP = 3500.0
"""Heat capacity of the liquid [J/kgK]: water and glycol, rounded."""
FLOW = 0.028
"""Flow of an ordinary branch [kg/s]."""
NOTHING = 1e-5
"""Least flow [kg/s]: conduction along a closed branch."""
PIPE_CELLS = 6
OFF, HEATER, GUN = 0, 1, 2


@dataclass(frozen=True)
class Loop:
    """One loop. Arrays over modules are ``(m,)``, over branches ``(b,)``.

    ``branch`` and ``place`` (0 = first) say where a module sits in the liquid's way; ``box`` the
    pipe that feeds its branch. ``flow`` is [kg/s] as share of nothing: absolute, by branch;
    ``flow_changes`` are (time [s], branch, flow [kg/s]) from which on it holds. ``kind`` groups
    modules that are built alike. ``bad`` names the modules that are meant to stand out.
    """

    flow: Array
    branch: Array
    place: Array
    box: Array
    pipe_s: tuple[float, ...]
    ua: Array
    capacity: Array
    core_share: Array
    core_w_k: Array
    start_c: Array
    air_c: float
    loss_w_k: float
    tank_j_k: float
    source: int
    power_w: float
    target_c: float
    source_from_s: float
    ramp_s: float = 60.0
    gun_w_k: float = 0.0
    gun_c: float = 120.0
    gun_cycle_s: tuple[float, float] = (110.0, 150.0)
    """Blowing for the first, again after the second."""
    heat_w: Array = field(default_factory=lambda: np.zeros(0))
    """Heat made in each module's cells [W] from the start; empty: none."""
    start_liquid_c: float | None = None
    flow_changes: tuple[tuple[float, int, float], ...] = ()
    kind: Array = field(default_factory=lambda: np.zeros(0, np.int64))
    bad: tuple[int, ...] = ()

    @property
    def modules(self) -> int:
        return len(self.branch)

    @property
    def kinds(self) -> Array:
        return self.kind if len(self.kind) else np.zeros(self.modules, np.int64)

    def conductance(self, flow: Array | None = None) -> Array:
        """k of each module [W/K], ``(m,)``."""
        w = np.maximum(self.flow if flow is None else flow, NOTHING)[self.branch]
        ua = self.ua * (w / FLOW) ** 0.6
        return w * CP * -np.expm1(-ua / (w * CP))

    def own_lag_s(self, flow: Array | None = None) -> Array:
        """Time by which each core trails the liquid entering its own plate [s], ``(m,)``."""
        return self.capacity * (1 / self.conductance(flow) + self.core_share / self.core_w_k)

    def lag_s(self, flow: Array | None = None) -> Array:
        """Time by which each core trails the liquid entering its branch [s], ``(m,)``."""
        lag = self.own_lag_s(flow)
        w = np.maximum(self.flow if flow is None else flow, NOTHING)[self.branch]
        passed = self.capacity / (w * CP)
        for i in range(self.modules):
            before = (self.branch == self.branch[i]) & (self.place < self.place[i])
            lag[i] += passed[before].sum()
        return lag

    def exchange(self, flow: Array | None = None, *, within_box: bool = False) -> Array:
        """True relative exchange of each module, ``(m,)``: healthy peers' median lag over its own.

        Peers sit at the same place in their branches and are of the same kind; with ``within_box``
        also in the same box (then bad ones count too when the whole box is bad).
        """
        lag = self.lag_s(flow)
        good = np.ones(self.modules, bool)
        good[list(self.bad)] = False
        kinds, result = self.kinds, np.full(self.modules, np.nan)
        for i in range(self.modules):
            alike = (self.place == self.place[i]) & (kinds == kinds[i])
            if within_box:
                alike &= self.box == self.box[i]
            peers = alike & good
            result[i] = np.median(lag[peers if peers.any() else alike]) / lag[i]
        return result

    def flow_at(self, time_s: float) -> Array:
        """Flow of each branch [kg/s] at a time, ``(b,)``."""
        flow = self.flow.copy()
        for at, branch, value in sorted(self.flow_changes):
            if at <= time_s:
                flow[branch] = value
        return flow

    def with_flow_share(self, module: int, share: float) -> Loop:
        """The same loop with this share of an ordinary branch's flow through a module's branch."""
        flow = self.flow.copy()
        flow[self.branch[module]] = share * FLOW
        same = np.flatnonzero(self.branch == self.branch[module])
        return replace(self, flow=flow, bad=tuple(sorted({*self.bad, *same.tolist()})))


@dataclass(frozen=True)
class LoopRun:
    """True temperatures [C] at ``time_s`` (n,): ``core``, ``case``, ``inlet`` of its plate (n, m);
    ``supply`` behind the heater and ``tank`` (n,)."""

    time_s: Array
    core: Array
    case: Array
    inlet: Array
    supply: Array
    tank: Array


def run_loop(
    loop: Loop, duration_s: float, *, period_s: float = 1.0, step_s: float = 0.25
) -> LoopRun:
    """Follow the loop; results every ``period_s``, a multiple of ``step_s``."""
    every = round(period_s / step_s)
    n = round(duration_s / period_s) + 1
    out = np.empty((n, 3 * loop.modules + 2))
    times = [0.0, *sorted({c[0] for c in loop.flow_changes})]
    flows = np.maximum([loop.flow_at(t) for t in times], NOTHING)
    order = np.argsort(loop.branch * 1000 + loop.place, kind="stable")
    previous = np.full(loop.modules, -1)
    for a, b in pairwise(order):
        if loop.branch[a] == loop.branch[b]:
            previous[b] = a
    branch_box = np.zeros(len(loop.flow), np.int64)
    branch_box[loop.branch] = loop.box
    last_of = np.zeros(len(loop.flow), np.int64)
    last_of[loop.branch[order]] = order
    liquid = loop.start_liquid_c
    start = float(np.mean(loop.start_c)) if liquid is None else liquid
    numbers = np.array(
        [
            start,
            loop.air_c,
            loop.loss_w_k,
            loop.tank_j_k,
            loop.power_w,
            loop.target_c,
            loop.source_from_s,
            loop.ramp_s,
            loop.gun_w_k,
            loop.gun_c,
            *loop.gun_cycle_s,
            # About a second and a half of liquid sits in the heater.
            1.5 * max(float(loop.flow.sum()), FLOW) * CP,
        ]
    )
    heat = loop.heat_w if len(loop.heat_w) else np.zeros(loop.modules)
    _follow(
        out,
        every,
        step_s,
        loop.source,
        numbers,
        np.asarray(loop.pipe_s, float),
        np.asarray(times, float),
        flows,
        branch_box,
        last_of,
        loop.branch.astype(np.int64),
        order.astype(np.int64),
        previous.astype(np.int64),
        loop.ua,
        loop.capacity,
        loop.core_share,
        loop.core_w_k,
        np.asarray(heat, float),
        loop.start_c.astype(float),
    )
    m = loop.modules
    time = np.arange(n) * period_s
    return LoopRun(
        time, out[:, :m], out[:, m : 2 * m], out[:, 2 * m : 3 * m], out[:, -2], out[:, -1]
    )


@numba.njit(cache=True)
def _follow(
    out, every, step, source, numbers, pipe_s, times, flows, branch_box, last_of,
    branch, order, previous, ua, capacity, core_share, core_w_k, heat, start_c,
):  # fmt: skip
    m, boxes = len(branch), len(pipe_s)
    size = 2 + boxes * PIPE_CELLS + 3 * m
    state = np.empty(size)
    state[:] = numbers[0]
    base = 2 + boxes * PIPE_CELLS
    for i in range(m):
        # The plate, full of liquid that stood there, starts as warm as its module.
        state[base + i] = state[base + m + i] = state[base + 2 * m + i] = start_c[i]
    rate, half, inlet = np.empty(size), np.empty(size), np.empty(m)
    k, plate = np.empty(m), np.empty(m)
    segment = -1
    for row in range(out.shape[0]):
        for sub in range(every):
            t = (row * every + sub) * step
            while segment + 1 < len(times) and times[segment + 1] <= t + 1e-9:
                segment += 1
                for i in range(m):
                    w = flows[segment, branch[i]]
                    k[i] = w * CP * -np.expm1(-ua[i] * (w / FLOW) ** 0.6 / (w * CP))
                    plate[i] = max(5.0 * FLOW * CP, 1.0)
            flow = flows[segment]
            _rates(
                t, state, rate, inlet, source, numbers, pipe_s, flow, branch_box, last_of,
                branch, order, previous, k, plate, capacity, core_share, core_w_k, heat,
            )  # fmt: skip
            if sub == 0:
                for i in range(m):
                    out[row, i] = state[base + 2 * m + i]
                    out[row, m + i] = state[base + m + i]
                    out[row, 2 * m + i] = inlet[i]
                out[row, 3 * m] = state[1]
                out[row, 3 * m + 1] = state[0]
            for j in range(size):
                half[j] = state[j] + 0.5 * step * rate[j]
            _rates(
                t + 0.5 * step, half, rate, inlet, source, numbers, pipe_s, flow, branch_box,
                last_of, branch, order, previous, k, plate, capacity, core_share, core_w_k, heat,
            )  # fmt: skip
            for j in range(size):
                state[j] += step * rate[j]


@numba.njit(cache=True)
def _rates(
    t, state, rate, inlet, source, numbers, pipe_s, flow, branch_box, last_of,
    branch, order, previous, k, plate, capacity, core_share, core_w_k, heat,
):  # fmt: skip
    m, boxes, base = len(branch), len(pipe_s), 2 + len(pipe_s) * PIPE_CELLS
    air, loss, tank_j_k = numbers[1], numbers[2], numbers[3]
    total, back = 0.0, 0.0
    for b in range(len(flow)):
        total += flow[b]
        back += flow[b] * state[base + last_of[b]]
    w_all = total * CP
    since = t - numbers[6]
    power, blown = 0.0, 0.0
    if since >= 0.0:
        if source == HEATER:
            allowed = w_all * abs(numbers[5] - state[0])
            power = min(abs(numbers[4]) * min(since / numbers[7], 1.0), allowed)
            power *= 1.0 if numbers[5] > state[0] else -1.0
        elif source == GUN and since % numbers[11] < numbers[10]:
            blown = numbers[8] * (numbers[9] - state[0])
    rate[0] = (w_all * (back / total - state[0]) + blown) / tank_j_k
    rate[1] = (w_all * (state[0] - state[1]) + power) / numbers[12]
    for b in range(boxes):
        before = state[1]
        for j in range(PIPE_CELLS):
            at = 2 + b * PIPE_CELLS + j
            rate[at] = PIPE_CELLS / pipe_s[b] * (before - state[at])
            before = state[at]
    for i in order:
        w = flow[branch[i]] * CP
        if previous[i] >= 0:
            entering = state[base + previous[i]]
        else:
            entering = state[1 + (branch_box[branch[i]] + 1) * PIPE_CELLS]
        inlet[i] = entering
        case, core = state[base + m + i], state[base + 2 * m + i]
        taken = k[i] * (entering - case)
        inward = core_w_k[i] * (case - core)
        rate[base + i] = (w * (entering - state[base + i]) - taken) / plate[i]
        rate[base + m + i] = (taken - inward + loss * (air - case)) / (
            (1 - core_share[i]) * capacity[i]
        )
        rate[base + 2 * m + i] = (inward + heat[i]) / (core_share[i] * capacity[i])
