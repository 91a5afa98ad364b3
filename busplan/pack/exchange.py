"""How well each sensor follows its peers: likelihood of its exchange, from quantised readings.

A module with the time constant tau_i behind the liquid and peers with tau_p have seen the same
liquid, which need not be known: eliminated from T' = (L - T)/tau it leaves

    T_i = e R + (1 - e) F R,    e = tau_p/tau_i the exchange,  F a first-order low pass of tau_i,

R the peers' curve. Sensor lag, place and delay that all share multiply both sides and cancel. To
this come, each with a Gaussian prior and integrated out: an offset of the sensor; a difference at
the start, which decays with tau_i; loss to air as warm as the start; and three slow waves for what
the model leaves out. tau_p has a prior, and a likelihood of its own where a liquid temperature is
known. The likelihood stands on a grid of tau_p and e for every sensor.

Lumped bodies: Incropera, Fundamentals of Heat and Mass Transfer; discrepancy: Kennedy and O'Hagan,
J. R. Stat. Soc. B 63, 2001 (both from memory). Widths of the priors: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from busplan.pack.peers_curve import fit_curve, knots
from busplan.pack.statistics import F64, I64, Mask, mad_sigma, rounding_sigma
from busplan.pack.thermal_observations import Observations
from busplan.pack.thermal_span import ThermalSpan

TAU_S: F64 = np.geomspace(60.0, 1200.0, 11)
SHARES: F64 = np.concatenate(
    (
        [0.001, 0.03, 0.07],
        np.linspace(0.11, 0.56, 10),
        np.linspace(0.59, 1.16, 20),
        [1.22, 1.3, 1.4, 1.52, 1.65],
    )
)
TAU_MIDDLE_S, TAU_WIDTH = 250.0, 0.7
"""tau_p is ln N(250 s, 0.7): 60 to 1000 s hold 95 %."""
OFFSET_K, OFFSET_WEIGHT = 0.5, 4.0
"""Offsets before anything was seen, and how many sensors that is worth."""
START_K, LOOSE_START_K = 0.2, 2.0
WIDE_START_K = 0.35
OWN_PART = 0.7
"""A sensor that starts apart may be off, or its module colder, by this part of that."""

LEAN = 0.05
"""Sensors see this part of the liquid that passes beside them: T_s = (1 - l) T + l L."""
FRONT, FRONT_BELOW = 0.6, 0.9
"""Part of the extra lag that is dead time when heat moves as a front, for exchanges below."""
LOSS, LOSS_SD = 1e-4, 1e-4
WAVE_K, WAVE_SHARE = 0.05, 0.04
ROUNDS = 3
PEER_LOG = 0.2
"""Peers are those within this of the median in ln e, once that is known."""


@dataclass(frozen=True, eq=False)
class PeerFit:
    """A group of sensors and the curve they follow.

    ``members`` (n,) are sensors of the observations; ``likelihood`` (n, taus, shares) is the log
    likelihood of each, ``tau`` (taus,) the log weight of each tau_p before a sensor speaks.
    ``best`` (n,) is the most likely share, ``offset_k`` and ``offset_sd`` what its reading is off,
    ``misfit`` (n,) its chi squared. ``sd`` (n, 6) are the priors' widths.
    """

    members: I64
    peers: Mask
    curve: F64
    step_s: float
    likelihood: F64
    tau: F64
    best: F64
    offset_k: F64
    offset_sd: F64
    misfit: F64
    sd: F64
    noise: float


def fit_group(
    seen: Observations, members: I64, span: ThermalSpan, liquid: F64 | None = None
) -> PeerFit | None:
    """Fit the curve of the sensors ``members`` and each one's exchange.

    ``liquid`` (k, 2): times from the span's start and temperatures. ``None`` when fewer than two
    move.
    """
    length = span.stop_s - span.start_s
    count, step_s = knots(length)
    owner = seen.owner
    level = seen.start_c[members]
    peers = _first_peers(seen, members, level, length)
    if peers.sum() < 2:
        return None
    sd = _widths(seen, members, level, span)
    local = np.full(seen.sensors, -1)
    local[members] = np.arange(len(members))
    mine = local[owner]
    deviation = np.where(mine >= 0, (level - np.median(level[peers]))[np.maximum(mine, 0)], 0.0)
    tau = -0.5 * (np.log(TAU_S / TAU_MIDDLE_S) / TAU_WIDTH) ** 2
    sigma, noise = seen.sigma, 1.0
    curve = likelihood = np.empty(0)
    best, fits = np.empty(0), np.empty((0, 3))
    for turn in range(ROUNDS):
        used = (mine >= 0) & peers[np.maximum(mine, 0)]
        value = seen.value - deviation
        curve = fit_curve(seen.time_s[used], value[used], sigma[used], count, step_s)
        left = value[used] - np.interp(seen.time_s[used], np.arange(count) * step_s, curve)
        if turn == 0:
            # Offsets by the whole of what a peer is off, before each is fitted for itself.
            for i in np.flatnonzero(peers):
                own = used & (mine == i)
                deviation[own] += np.median(left[own[used]])
            curve = fit_curve(
                seen.time_s[used], (seen.value - deviation)[used], sigma[used], count, step_s
            )
        else:
            noise = _noise(left, sigma[used], mine[used])
            sigma = seen.sigma * noise
        last = turn == ROUNDS - 1
        if last and liquid is not None:
            tau = tau + liquid_likelihood(curve, step_s, liquid, sd[peers].mean(axis=0))
        near = np.arange(len(TAU_S)) if last else np.array([int(np.argmax(tau))])
        bank, likelihood = grid(replace(seen, sigma=sigma), members, curve, step_s, TAU_S[near], sd)
        top = likelihood + tau[near][:, None]
        at_tau, at_share = np.divmod(top.reshape(len(members), -1).argmax(axis=1), len(SHARES))
        best = SHARES[at_share]
        where = np.column_stack((near[at_tau], at_share, at_tau * len(SHARES) + at_share))
        fits = _fits(
            seen=replace(seen, sigma=sigma),
            members=members,
            curve=curve,
            step_s=step_s,
            bank=bank,
            where=where,
            sd=sd,
            deviation=deviation,
        )
        middle = float(np.median(best[peers]))
        close = np.abs(np.log(best / middle)) < PEER_LOG
        if close.sum() >= max(2, len(members) // 3):
            peers = close & np.isfinite(best)
    return PeerFit(
        members=members,
        peers=peers,
        curve=curve,
        step_s=step_s,
        likelihood=likelihood,
        tau=tau,
        best=best,
        offset_k=fits[:, 0],
        offset_sd=fits[:, 1],
        misfit=fits[:, 2],
        sd=sd,
        noise=noise,
    )


def grid(
    seen: Observations, members: I64, curve: F64, step_s: float, taus: F64, sd: F64
) -> tuple[tuple[F64, F64], F64]:
    """Banks and log likelihood (members, taus, shares) of sensors against a peers' curve.

    A starved plate may warm as one body or as a front that moves along it: which, is not known, so
    the likelihood is the mean over both.
    """
    from busplan.pack.exchange_kernels import exchange_likelihood

    whole = np.empty((seen.sensors, len(taus), len(SHARES)))
    widths = np.zeros((seen.sensors, 6))
    widths[members] = sd

    def reckon(bank: tuple[F64, F64], tried: int) -> F64:
        exchange_likelihood(
            seen.first,
            seen.time_s,
            seen.value,
            seen.sigma,
            curve,
            step_s,
            bank[1],
            bank[0],
            taus,
            SHARES,
            widths,
            seen.length_s,
            members,
            tried,
            whole,
        )
        return whole[members]

    bank = banks(curve, step_s, taus)
    body = reckon(bank, len(SHARES))
    late = int(np.searchsorted(SHARES, FRONT_BELOW))
    front = reckon(_fronts(bank, curve, step_s, taus), late)
    body[:, :, :late] = np.logaddexp(body[:, :, :late], front[:, :, :late]) - np.log(2.0)
    return bank, body


def banks(curve: F64, step_s: float, taus: F64, shares: F64 = SHARES) -> tuple[F64, F64]:
    """What each (tau, share) makes of the peers' curve, both (taus * shares, k) over its start.

    The curve low-passed by the module, and the module's own rise.
    """
    from busplan.pack.exchange_kernels import low_passed

    passed = low_passed(curve, step_s, (taus[:, None] / shares).ravel())
    risen = curve - curve[0]
    near = low_passed(curve, step_s, LEAN * taus)
    rise = np.empty_like(passed)
    for g, tau in enumerate(taus):
        liquid = risen / LEAN - (1.0 / LEAN - 1.0) * near[g]
        block = slice(g * len(shares), (g + 1) * len(shares))
        rise[block] = risen - (1.0 - LEAN) * near[g]
        rise[block] += (1.0 - LEAN) * low_passed(liquid, step_s, tau / shares)
    return passed, rise


def _fronts(bank: tuple[F64, F64], curve: F64, step_s: float, taus: F64) -> tuple[F64, F64]:
    """The same with the part ``FRONT`` of the extra lag as a dead time."""
    extra = taus[:, None] * (1.0 / SHARES - 1.0)
    share = taus[:, None] / (taus[:, None] + (1.0 - FRONT) * np.maximum(extra, 0.0))
    dead = FRONT * np.maximum(extra, 0.0)
    passed, rise = np.empty_like(bank[0]), np.empty_like(bank[1])
    at = np.arange(len(curve)) * step_s
    late = int(np.searchsorted(SHARES, FRONT_BELOW))
    for g in range(len(taus)):
        low, own = banks(curve, step_s, taus[g : g + 1], share[g, :late])
        for j in range(late):
            row = g * len(SHARES) + j
            passed[row] = np.interp(at - dead[g, j], at, low[j])
            rise[row] = np.interp(at - dead[g, j], at, own[j])
    return passed, rise


def _fits(
    seen: Observations,
    members: I64,
    curve: F64,
    step_s: float,
    bank: tuple[F64, F64],
    where: I64,
    sd: F64,
    deviation: F64,
) -> F64:
    """Offset, its deviation and chi squared of each sensor (n, 3) at its best point of the grid.

    ``where`` (n, 3): index of tau, of share, and of both in ``bank``. ``deviation`` takes up how
    each one's fit is off the curve.
    """
    from busplan.pack.exchange_kernels import best_fit

    fits = np.empty((len(members), 3))
    knots_s = np.arange(len(curve)) * step_s
    for i, sensor in enumerate(members):
        begin, end = int(seen.first[sensor]), int(seen.first[sensor + 1])
        out = np.empty(end - begin)
        fits[i] = best_fit(
            begin,
            end,
            seen.time_s,
            seen.value,
            seen.sigma,
            curve,
            step_s,
            bank[1][where[i, 2]],
            bank[0][where[i, 2]],
            float(TAU_S[where[i, 0]]),
            float(SHARES[where[i, 1]]),
            sd[i],
            seen.length_s,
            out,
        )
        deviation[begin:end] = out - np.interp(seen.time_s[begin:end], knots_s, curve)
    return fits


def _first_peers(seen: Observations, members: I64, level: F64, length: float) -> Mask:
    """Who moves as most do: by the mean rise over time, within three robust deviations."""
    area = np.empty(len(members))
    for i, sensor in enumerate(members):
        at = slice(int(seen.first[sensor]), int(seen.first[sensor + 1]))
        rise, time = seen.value[at] - level[i], seen.time_s[at]
        area[i] = float((rise[1:] + rise[:-1]) @ np.diff(time)) / 2.0 / length
    middle = float(np.median(area))
    step = float(np.median(seen.step_k[members]))
    spread = max(float(np.nan_to_num(mad_sigma(area))), rounding_sigma(step), 0.05 * abs(middle))
    return np.asarray(np.abs(area - middle) <= 3.0 * spread, np.bool_)


def _widths(seen: Observations, members: I64, level: F64, span: ThermalSpan) -> F64:
    """Widths of the priors of each sensor (n, 6), as :func:`exchange_kernels.build` takes them."""
    apart = level - float(np.median(level))
    own = seen.start_sigma[members]
    scatter = float(np.nan_to_num(mad_sigma(level)))
    learned = max(scatter**2 - float(np.median(own)) ** 2, 0.0)
    n = len(members)
    offset = (n * learned + OFFSET_WEIGHT * OFFSET_K**2) / (n + OFFSET_WEIGHT)
    start = LOOSE_START_K
    if span.plateau:
        start = max(START_K, learned**0.5 if learned**0.5 > WIDE_START_K else 0.0)
    beyond = OWN_PART * np.maximum(np.abs(apart) - own, 0.0)
    sd = np.empty((n, 6))
    sd[:, 0] = np.sqrt(offset + beyond**2)
    sd[:, 1] = np.sqrt(start**2 + beyond**2)
    sd[:, 2:] = (LOSS_SD, WAVE_K, WAVE_SHARE, LOSS)
    return sd


def _noise(left: F64, sigma: F64, owner: I64) -> float:
    """By how much observations scatter more than their sigmas say; 1 when they do not."""
    same = owner[1:] == owner[:-1]
    change = (left[1:] - left[:-1])[same] / np.hypot(sigma[1:], sigma[:-1])[same]
    spread = mad_sigma(change)
    return float(max(spread, 1.0)) if np.isfinite(spread) else 1.0


LIQUID_LAG_S: F64 = np.array([8.0, 16.0, 30.0, 55.0, 90.0])
LIQUID_DELAY_S: F64 = np.array([0.0, 7.0, 14.0, 28.0])


def liquid_likelihood(curve: F64, step_s: float, liquid: F64, sd: F64) -> F64:
    """Log likelihood of each tau_p (taus,) when the peers' curve is to follow this liquid.

    Lag of the sensors (8 to 90 s) and the way from inlet to modules (0 to 28 s) are averaged over.
    """
    from busplan.pack.exchange_kernels import UNKNOWNS, WAVES, low_passed, solve

    at = np.arange(len(curve)) * step_s
    pick = np.unique(np.linspace(0, len(curve) - 1, 60).astype(np.int64))
    length = float(at[-1])
    weight = np.full(len(pick), 1.0 / (0.1 + 0.02 * np.ptp(curve)) ** 2)
    found = np.empty((len(TAU_S), len(LIQUID_LAG_S), len(LIQUID_DELAY_S)))
    normal, solution = np.empty((UNKNOWNS, UNKNOWNS)), np.empty(UNKNOWNS)
    heavy = np.empty(len(pick))
    for d, delay in enumerate(LIQUID_DELAY_S):
        arrived = np.interp(at - delay, liquid[:, 0], liquid[:, 1])
        for a, lag in enumerate(LIQUID_LAG_S):
            slow = low_passed(arrived, step_s, np.array([lag]))[0]
            bodies = low_passed(slow, step_s, TAU_S)
            for t, tau in enumerate(TAU_S):
                rise = bodies[t][pick]
                gap = float(np.sqrt(np.mean((slow[pick] - rise) ** 2)))
                lost = low_passed(bodies[t], step_s, np.array([tau]))[0][pick] * tau
                design = np.empty((UNKNOWNS, len(pick)))
                design[0] = 1.0 + sd[0]
                design[1] = np.exp(-at[pick] / tau) * (2.0 + sd[1])
                design[2] = -lost * sd[2]
                for j in range(1, WAVES + 1):
                    wave = (sd[3] + sd[4] * gap) / j
                    design[2 + j] = wave * np.cos(j * np.pi * at[pick] / length)
                residual = curve[pick] - curve[0] - rise + sd[5] * lost
                found[t, a, d] = solve(design, residual, weight, heavy, normal, solution)
    top = found.max()
    return np.asarray(np.log(np.exp(found - top).mean(axis=(1, 2)) + 1e-300), np.float64)
