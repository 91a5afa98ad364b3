"""Plates as channels with plug flow: a second kind of truth for warm-up tests.

Shares no code and no idea with ``loop``: liquid moves as plugs (a column of cells that shifts by
one whenever the pump has moved one cell's volume: no numerical mixing), heat passes by laminar
convection into a wall, along the wall by conduction, and into a body that is divided along the
channel as well. Pipes are plug flow too, so a pump step changes their delay. For x along a plate::

    liquid:  m' c dT_l/dt = h P (T_w - T_l)              while it moves with the flow
    wall:    c_w dT_w/dt = k_w d2T_w/dx2 + h P (T_l - T_w) + G (T_b - T_w)
    body:    c_b dT_b/dt = G (T_w - T_b) + k_b d2T_b/dx2 + g (T_air - T_b)
    h = Nu k/D,  Nu = 3.66 + 0.0668 Gz/(1 + 0.04 Gz^(2/3)),  Gz = Re Pr D/L     (Hausen, mean)

Hausen's mean number for laminar flow in a tube at one wall temperature: Incropera, Fundamentals of
Heat and Mass Transfer (from memory). Liquid: half water, half glycol near 20 C (k 0.42 W/mK,
c 3300 J/kgK, from memory, to some percent). The heater is switched by a thermostat of two points.
Sizes are invented.

**True exchange** without simulation: the mean body's lag behind the liquid entering its plate in a
steady ramp, where every slice takes its own C r. These are linear equations, solved directly on a
finer division. Without conduction along the plate the liquid falls evenly and they are

    lag = (C_w + C_b + C_l)/(2 w c) + (C_w + C_b)/(h A) + C_b/G

Exchange is the median lag of the healthy modules of the same kind over a module's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba
import numpy as np

Array = np.ndarray[Any, np.dtype[Any]]

SLICES = 12
SPECIFIC = 3300.0
CONDUCTIVITY = 0.42
STEP_S = 0.2
CELL_S = 0.5
"""Liquid in one cell of a pipe: what the pump moves at full speed in this time."""


@dataclass(frozen=True)
class Channels:
    """A loop of parallel plates. Arrays over modules ``(m,)``; ``flow`` [kg/s] at full pump speed.

    ``wet_kg`` is the liquid in a plate, ``area_m2`` its wetted area, ``bore_m`` and ``length_m``
    those of one of its channels, ``parallel`` how many there are. ``pump`` are (time [s], speed):
    the flow of all branches by these shares from then on.
    """

    flow: Array
    box: Array
    pipe_s: tuple[float, ...]
    kind: Array
    wall_j_k: Array
    body_j_k: Array
    contact_w_k: Array
    wet_kg: Array
    area_m2: Array
    bore_m: float
    length_m: Array
    parallel: int
    wall_w_k: float
    body_w_k: float
    loss_w_k: Array
    air_c: Array
    start_c: Array
    tank_kg: float
    power_w: float
    heat_from_s: float
    on_below_c: float
    off_above_c: float
    pump: tuple[tuple[float, float], ...] = ((0.0, 1.0),)
    bad: tuple[int, ...] = ()

    @property
    def modules(self) -> int:
        return len(self.flow)

    def film(self, speed: float = 1.0) -> Array:
        """h A of each plate [W/K] by Hausen's mean number, ``(m,)``."""
        return film_w_k(self, speed)

    def lag_s(self, speed: float = 1.0) -> Array:
        """Time by which a module's mean body trails the liquid entering it [s], ``(m,)``."""
        return lag_profile_s(self, speed).mean(axis=1)

    def exchange(self, lag: Array | None = None) -> Array:
        """True relative exchange of each module against healthy ones of its kind, ``(m,)``.

        ``lag`` [s] is that at full pump speed when not given.
        """
        lag = self.lag_s() if lag is None else lag
        good = np.ones(self.modules, bool)
        good[list(self.bad)] = False
        result = np.empty(self.modules)
        for i in range(self.modules):
            alike = self.kind == self.kind[i]
            peers = alike & good
            result[i] = np.median(lag[peers if peers.any() else alike]) / lag[i]
        return result


def film_w_k(plates: Channels, speed: float) -> Array:
    """h A of each plate [W/K]: Gz = Re Pr D/L = 4 w c/(pi k L) for one round channel."""
    each = plates.flow * speed / plates.parallel
    gz = 4 * each * SPECIFIC / (np.pi * CONDUCTIVITY * plates.length_m)
    nusselt = 3.66 + 0.0668 * gz / (1 + 0.04 * gz ** (2 / 3))
    return nusselt * CONDUCTIVITY / plates.bore_m * plates.area_m2


def lag_profile_s(plates: Channels, speed: float = 1.0, slices: int = 24) -> Array:
    """Lag of each slice of the body in a steady ramp of 1 K/s [s], ``(m, slices)``: a direct solve.

    Unknown is how far liquid (mean of a slice), wall and body are below the liquid that enters.
    """
    n, m = slices, plates.modules
    wc, film = plates.flow * speed * SPECIFIC, film_w_k(plates, speed)
    # What the slices before it and half of its own take from the liquid.
    before = (np.tril(np.ones((n, n)), -1) + 0.5 * np.eye(n)) / n
    chain = 2 * np.eye(n) - np.eye(n, k=1) - np.eye(n, k=-1)
    chain[0, 0] = chain[-1, -1] = 1.0
    one, none = np.eye(n) / n, np.zeros((n, n))
    result = np.empty((m, n))
    for i in range(m):
        taken, touch = film[i] / wc[i] * before, plates.contact_w_k[i] * one
        wall = film[i] * one + touch + plates.wall_w_k * n * chain
        body = touch + plates.body_w_k * n * chain
        matrix = np.block(
            [
                [np.eye(n) + taken, -taken, none],
                [-film[i] * one, wall, -touch],
                [none, -touch, body],
            ]
        )
        own = plates.wet_kg[i] * SPECIFIC / wc[i] * before.sum(axis=1)
        shares = [plates.wall_j_k[i] / n, plates.body_j_k[i] / n]
        right = np.concatenate([own, *(np.full(n, s) for s in shares)])
        result[i] = np.linalg.solve(matrix, right)[2 * n :]
    return result


@dataclass(frozen=True)
class ChannelRun:
    """True temperatures [C] at ``time_s`` (n,): ``body`` (n, m, slices), ``inlet`` (n, m) of each
    plate, ``supply`` behind the heater and ``tank`` (n,); ``heating`` (n,) 0 or 1."""

    time_s: Array
    body: Array
    inlet: Array
    supply: Array
    tank: Array
    heating: Array


def run_channels(plates: Channels, duration_s: float) -> ChannelRun:
    """Follow the loop; results every second."""
    every = round(1.0 / STEP_S)
    n = round(duration_s) + 1
    m = plates.modules
    body, rest = np.empty((n, m, SLICES)), np.empty((n, m + 3))
    times = np.array([p[0] for p in plates.pump])
    speeds = np.array([p[1] for p in plates.pump])
    films = np.array([plates.film(s) for s in speeds])
    total = plates.flow.sum()
    in_box = np.array([plates.flow[plates.box == b].sum() for b in range(len(plates.pipe_s))])
    cells = np.array([max(round(s / CELL_S), 1) for s in plates.pipe_s])
    numbers = np.array(
        [
            plates.wall_w_k,
            plates.body_w_k,
            plates.tank_kg,
            plates.power_w,
            plates.heat_from_s,
            plates.on_below_c,
            plates.off_above_c,
            float(plates.start_c.mean()),
            total,
        ]
    )
    _pump(
        body,
        rest,
        every,
        times,
        speeds,
        films,
        plates.flow,
        plates.box.astype(np.int64),
        in_box,
        cells.astype(np.int64),
        plates.wall_j_k,
        plates.body_j_k,
        plates.contact_w_k,
        plates.wet_kg,
        plates.loss_w_k,
        plates.air_c,
        plates.start_c,
        numbers,
    )
    return ChannelRun(
        np.arange(n, dtype=float), body, rest[:, :m], rest[:, m], rest[:, m + 1], rest[:, m + 2]
    )


@numba.njit(cache=True)
def _pump(
    body, rest, every, times, speeds, films, flow, box, in_box, cells,
    wall_j_k, body_j_k, contact, wet, loss, air, start, numbers,
):  # fmt: skip
    along_wall, along_body, tank_kg, power = numbers[0], numbers[1], numbers[2], numbers[3]
    m, boxes = len(flow), len(in_box)
    liquid, wall = np.empty((m, SLICES)), np.empty((m, SLICES))
    inside = np.empty((m, SLICES))
    for i in range(m):
        liquid[i, :] = wall[i, :] = inside[i, :] = start[i]
    pipe = np.full((boxes, cells.max()), numbers[7])
    pushed, piped = np.zeros(m), np.zeros(boxes)
    tank, supply, on, segment = numbers[7], numbers[7], 1.0, 0
    new_wall, new_body = np.empty(SLICES), np.empty(SLICES)
    for row in range(body.shape[0]):
        for sub in range(every):
            t = (row * every + sub) * STEP_S
            while segment + 1 < len(times) and times[segment + 1] <= t + 1e-9:
                segment += 1
            speed = speeds[segment]
            w = numbers[8] * speed
            if supply > numbers[6]:
                on = 0.0
            elif supply < numbers[5]:
                on = 1.0
            heating = power * on if t >= numbers[4] else 0.0
            supply = tank + heating / (w * SPECIFIC)
            if sub == 0:
                for i in range(m):
                    for j in range(SLICES):
                        body[row, i, j] = inside[i, j]
                    rest[row, i] = pipe[box[i], cells[box[i]] - 1]
                rest[row, m], rest[row, m + 1] = supply, tank
                rest[row, m + 2] = 1.0 if heating > 0 else 0.0
            for b in range(boxes):
                # A cell of the pipe holds what full speed moves in CELL_S.
                piped[b] += speed * STEP_S / CELL_S
                while piped[b] >= 1.0:
                    piped[b] -= 1.0
                    for j in range(cells[b] - 1, 0, -1):
                        pipe[b, j] = pipe[b, j - 1]
                    pipe[b, 0] = supply
            back = 0.0
            for i in range(m):
                moved = flow[i] * speed * STEP_S
                entering = pipe[box[i], cells[box[i]] - 1]
                cell_kg = wet[i] / SLICES
                pushed[i] += moved / cell_kg
                # Plugs leave one by one; on the average as much liquid as the pump takes out.
                while pushed[i] >= 1.0:
                    pushed[i] -= 1.0
                    back += cell_kg * (liquid[i, SLICES - 1] - tank)
                    for j in range(SLICES - 1, 0, -1):
                        liquid[i, j] = liquid[i, j - 1]
                    liquid[i, 0] = entering
                film = films[segment, i] / SLICES
                for j in range(SLICES):
                    into = film * (liquid[i, j] - wall[i, j])
                    warm = inside[i, j]
                    inward = contact[i] / SLICES * (wall[i, j] - warm)
                    up, down = max(j - 1, 0), min(j + 1, SLICES - 1)
                    side = along_wall * SLICES * (wall[i, up] + wall[i, down] - 2 * wall[i, j])
                    deep = along_body * SLICES * (inside[i, up] + inside[i, down] - 2 * warm)
                    gone = loss[i] / SLICES * (air[i] - warm)
                    outer, inner = into - inward + side, inward + deep + gone
                    new_wall[j] = wall[i, j] + STEP_S * outer * SLICES / wall_j_k[i]
                    new_body[j] = warm + STEP_S * inner * SLICES / body_j_k[i]
                    liquid[i, j] -= STEP_S * into / (cell_kg * SPECIFIC)
                for j in range(SLICES):
                    wall[i, j], inside[i, j] = new_wall[j], new_body[j]
            tank += back / tank_kg
