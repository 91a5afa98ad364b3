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

from busplan.frames.columns import F64, I64, Mask
from busplan.pack.exchange_model import (
    LOSS,
    LOSS_SD,
    PLATE_BELOW,
    SHARES,
    TAU_S,
    banks,
    behind_s,
    liquid_likelihood,
    plates,
    tau_prior,
)
from busplan.pack.peers_curve import fit_curve, knots
from busplan.pack.statistics import mad_sigma, rounding_sigma
from busplan.pack.thermal_observations import Observations
from busplan.pack.thermal_span import ThermalSpan

OFFSET_K, OFFSET_WEIGHT = 0.5, 4.0
"""Offsets before anything was seen, and how many sensors that is worth."""
START_K, LOOSE_START_K = 0.2, 2.0
WIDE_START_K = 0.35
USUAL, OWN_PART = 2.0, 0.7
"""What starts apart by more than so many deviations of the others may be off, or its module colder,
by this part of what is more."""

WAVE_K, WAVE_SHARE = 0.05, 0.04
ROUNDS = 3
LEAST_WEIGHT = 1e-3
"""What is less likely than this part of the likeliest is left out of an average."""
PEER_LOG = 0.2
"""Peers are those within this of the median in ln e, once that is known."""


@dataclass(frozen=True, eq=False)
class PeerFit:
    """A group of sensors and the curve they follow.

    ``members`` (n,) are sensors of the observations; ``likelihood`` (n, taus, shares) is the log
    likelihood of each, ``tau`` (taus,) the log weight of each tau_p before a sensor speaks.
    ``best`` (n,) is the most likely share, ``offset_k`` what its reading is off there (more by
    :func:`offset_of`), ``misfit`` (n,) its chi squared. ``sd`` (n, 6) are the priors' widths;
    ``stages`` says as what number these come in their branches.
    """

    members: I64
    peers: Mask
    curve: F64
    step_s: float
    likelihood: F64
    tau: F64
    best: F64
    offset_k: F64
    misfit: F64
    sd: F64
    noise: float
    stages: int


def fit_group(
    seen: Observations,
    members: I64,
    span: ThermalSpan,
    liquid: F64 | None = None,
    first: PeerFit | None = None,
    stages: int = 1,
) -> PeerFit | None:
    """Fit the curve of the sensors ``members`` and each one's exchange.

    ``liquid`` (k, 2): times from the span's start and temperatures. ``first`` are those that come
    first in their branches, where these come as number ``stages``: what these trail them by adds to
    tau_p. ``None`` when fewer than two move.
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
    tau = tau_prior(0.0)
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
        if first is not None:
            tau = tau_prior(behind_s(curve, first.curve, step_s))
        if last and liquid is not None:
            level_s = span.moves_s - span.start_s if span.plateau else None
            own = sd[peers].mean(axis=0)
            tau = tau + liquid_likelihood(curve, step_s, liquid, own, level_s)
        near = np.arange(len(TAU_S)) if last else np.array([int(np.argmax(tau))])
        bank, likelihood = grid(
            replace(seen, sigma=sigma), members, curve, step_s, TAU_S[near], sd, stages
        )
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
        misfit=fits[:, 2],
        sd=sd,
        noise=noise,
        stages=stages,
    )


def grid(
    seen: Observations,
    members: I64,
    curve: F64,
    step_s: float,
    taus: F64,
    sd: F64,
    stages: int,
) -> tuple[tuple[F64, F64], F64]:
    """Banks and log likelihood (members, taus, shares) of sensors against a peers' curve.

    A starved plate may warm as one body or place by place along it: which, is not known, so
    the likelihood is the mean over both; one that comes later in its branch, in ``stages``.
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

    bank = banks(curve, step_s, taus, stages=stages)
    body = reckon(bank, len(SHARES))
    if stages > 1:
        return bank, body
    late = int(np.searchsorted(SHARES, PLATE_BELOW))
    plate = reckon(plates(curve, step_s, taus), late)
    body[:, :, :late] = np.logaddexp(body[:, :, :late], plate[:, :, :late]) - np.log(2.0)
    return bank, body


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


def offset_of(seen: Observations, fit: PeerFit, row: int) -> tuple[float, float]:
    """What one sensor is off against its peers and the standard deviation of that [K].

    Over all time constants and exchanges as likely as they are: what a short test cannot part from
    a module that began warmer or colder is in the deviation, and so is the peers' own scatter.
    """
    from busplan.pack.exchange_kernels import best_fit

    passed, rise = banks(fit.curve, fit.step_s, TAU_S, stages=fit.stages)
    sensor = int(fit.members[row])
    begin, end = int(seen.first[sensor]), int(seen.first[sensor + 1])
    log_weight = (fit.likelihood[row] + fit.tau[:, None] + np.log(np.gradient(SHARES))).ravel()
    weight = np.exp(log_weight - log_weight.max())
    kept = np.flatnonzero(weight > LEAST_WEIGHT)
    out = np.empty(end - begin)
    found = np.array(
        [
            best_fit(
                begin,
                end,
                seen.time_s,
                seen.value,
                seen.sigma * fit.noise,
                fit.curve,
                fit.step_s,
                rise[point],
                passed[point],
                float(TAU_S[point // len(SHARES)]),
                float(SHARES[point % len(SHARES)]),
                fit.sd[row],
                seen.length_s,
                out,
            )[:2]
            for point in kept
        ]
    )
    share = weight[kept] / weight[kept].sum()
    mean = float(share @ found[:, 0])
    variance = float(share @ (found[:, 1] ** 2 + (found[:, 0] - mean) ** 2))
    peers = fit.offset_k[fit.peers]
    common = 1.25 * float(np.nan_to_num(mad_sigma(peers))) / max(len(peers) - 1, 1) ** 0.5
    return mean, float(np.hypot(variance**0.5, common))


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
    # What rounding hides of the offsets nobody has learned.
    told = n / (1.0 + (float(np.median(own)) / OFFSET_K) ** 2) ** 2
    offset = (told * learned + OFFSET_WEIGHT * OFFSET_K**2) / (told + OFFSET_WEIGHT)
    start = LOOSE_START_K
    if span.plateau:
        start = max(START_K, learned**0.5 if learned**0.5 > WIDE_START_K else 0.0)
    beyond = OWN_PART * np.maximum(np.abs(apart) - USUAL * np.sqrt(learned + own**2), 0.0)
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
