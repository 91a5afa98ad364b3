"""Exchange of each sensor relative to its peers, and how sure that figure is.

With the liquid's temperature known, each sensor's rate k (:mod:`busplan.pack.exchange`) is divided
by the median rate of its peers; without it, the ratio of rises takes its place.

Two standard uncertainties are kept apart. ``own`` is what rounding, noise and what the curve leaves
over make of one sensor; several sensors average it out. ``model`` is what the simple model leaves
out, in three ways, each of its usual size (common practice, no source):

* sensors lean by ``LEAN`` of the difference towards the liquid that passes beside them, each by
  ``LEAN_DIFFERS`` more or less than its peers;
* the liquid reaches the modules ``LATE_S`` after the inlet sensor;
* ``OTHER_HEAT`` of the peers' rise comes from elsewhere (air, the cells themselves), the same in
  every module.

Squares of independent contributions add up (Guide to the Expression of Uncertainty in Measurement,
JCGM 100:2008, 5.1.2; from memory). What is common to all leaves a module where it is that behaves
as its peers do; it grows with the distance from them, and makes no module slow that is not. What
differs shows in the scatter of the peers as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.pack.exchange import first_order, fit_exchange, foreseen_uncertainty, rate_shifts
from busplan.pack.statistics import F64, I64, Mask, nan_median, rounding_sigma
from busplan.pack.thermal_span import ThermalSpan

LEAN = 0.08
LEAN_DIFFERS = 0.03
LATE_S = 8.0
OTHER_HEAT = 0.05


@dataclass(frozen=True, eq=False)
class Relative:
    """Exchange relative to peers per sensor, shape ``(m,)``, with both its uncertainties.

    ``curve`` ``(n, m)`` are the fitted temperatures [°C], ``peer_rate`` the peers' rate [1/s] (NaN
    without a liquid temperature).
    """

    exchange: F64
    own: F64
    model: F64
    curve: F64
    peer_rate: float


def relative_exchange(
    span: ThermalSpan, values: F64, position: I64, still: Mask, step_k: float
) -> Relative:
    """Exchange of each column of ``values`` ``(n, m)`` [°C], rounded to ``step_k`` [K].

    ``position`` ``(m,)`` is each sensor's place in its module; ``still`` ``(m,)`` marks sensors
    that are no peers.
    """
    if span.liquid_c is None:
        return _rise_ratio(values, position, still, step_k)
    time, liquid = span.time_s, span.liquid_c
    fit = fit_exchange(time, liquid, values, step_k)
    peers = _peer_median(fit.rate, position, still)
    peer_rate = float(nan_median(fit.rate[~still]))
    exchange = fit.rate / peers
    weight = np.isfinite(values).astype(np.float64)
    shifts = _shifts(time, liquid, fit.rate, fit.start_c, weight)
    model = (LEAN_DIFFERS / LEAN * shifts[0] / peers) ** 2
    for rate in (fit.rate + shift for shift in shifts):
        model += (rate / _peer_median(rate, position, still) - exchange) ** 2
    curve = first_order(time, liquid, fit.rate, fit.start_c)
    return Relative(exchange, fit.uncertainty / peers, model**0.5, curve, peer_rate)


def foreseen(
    time_s: F64, liquid_c: F64, peer_rate: float, start_c: float, step_k: float, target: float
) -> tuple[float, float]:
    """Both uncertainties that a module of the exchange ``target`` would have in this liquid."""
    rates, starts = peer_rate * np.array([1.0, target]), np.array([start_c, start_c])
    shifts = _shifts(time_s, liquid_c, rates, starts, np.ones((len(time_s), 2)))
    model = sum(((rates[1] + s[1]) / (rates[0] + s[0]) - target) ** 2 for s in shifts)
    model += (LEAN_DIFFERS / LEAN * shifts[0][1] / peer_rate) ** 2
    own = foreseen_uncertainty(time_s, liquid_c, rates[1], start_c, step_k) / peer_rate
    return own, float(model**0.5)


def _shifts(time_s: F64, liquid_c: F64, rate: F64, start_c: F64, weight: F64) -> list[F64]:
    """What each way of being wrong does to the rates (m,) [1/s]; leaning comes first."""
    curve = first_order(time_s, liquid_c, rate, start_c)
    late = np.interp(time_s - LATE_S, time_s, liquid_c)
    passed = time_s - time_s[0]
    rise = float(np.nan_to_num(nan_median(curve[-1] - curve[0])))
    # Steady heat q warms a body that loses it to the liquid by q (1 − e^(−k t)) / k.
    warmed = -np.expm1(-np.outer(passed, rate)) / np.maximum(rate, 1e-9)
    changes = (
        LEAN * (liquid_c[:, None] - curve),
        first_order(time_s, late, rate, start_c) - curve,
        OTHER_HEAT * rise / passed[-1] * warmed,
    )
    return rate_shifts(time_s, liquid_c, rate, start_c, weight, changes)


def _rise_ratio(values: F64, position: I64, still: Mask, step_k: float) -> Relative:
    """Least squares of each sensor on the median of its peers: slope = ratio of rises."""
    exchange = np.full(values.shape[1], np.nan)
    own = np.full_like(exchange, np.nan)
    curve = np.full_like(values, np.nan)
    for column in range(values.shape[1]):
        peers = _peers(column, position, still)
        median = nan_median(values[:, peers], axis=1)
        y = values[:, column]
        known = np.isfinite(median) & np.isfinite(y)
        if known.sum() < 3:
            continue
        x = median[known] - median[known].mean()
        square = max(float(x @ x), 1e-12)
        slope = float(x @ y[known]) / square
        line = y[known].mean() + slope * (median - median[known].mean())
        left = float(((y - line)[known] ** 2).sum()) / max(int(known.sum()) - 2, 1)
        crossed = abs(slope) * float(np.ptp(median[known])) / step_k + 1.0
        variance = max(left, rounding_sigma(step_k) ** 2)
        independent = min(crossed, float(known.sum()))
        exchange[column], curve[:, column] = slope, line
        own[column] = np.sqrt(variance / (independent * square / known.sum()))
    return Relative(exchange, own, np.zeros_like(exchange), curve, float("nan"))


def _peers(column: int, position: I64, still: Mask) -> I64:
    """Columns at the same place in other modules; all others when there are fewer than three."""
    same = (position == position[column]) & ~still
    same[column] = False
    if same.sum() >= 3:
        return np.flatnonzero(same)
    others = ~still
    others[column] = False
    return np.flatnonzero(others) if others.any() else np.array([column])


def _peer_median(rate: F64, position: I64, still: Mask) -> F64:
    peers = np.array(
        [float(nan_median(rate[_peers(c, position, still)])) for c in range(len(rate))]
    )
    return np.where(peers > 0, peers, np.nan)
