"""Heat exchange of each sensor with the liquid: a first-order model fitted to rounded values.

Equation, Newton's law of heating for a lumped body (F. P. Incropera et al., "Fundamentals of Heat
and Mass Transfer", lumped capacitance method, section 5.1; from memory)::

    T'(t) = k (L(t) − T(t)),        k = exchange / heat capacity  [1/s]

with the liquid's temperature L linear between its samples, solved exactly from sample to sample::

    T(t+d) = L(t+d) − s/k + (T(t) − L(t) + s/k) e^(−k d),   s = (L(t+d) − L(t)) / d

The fit is least squares on the *solved* curve over the whole test, not on its slope: rounding to a
step averages out over the steps crossed, while differences of rounded values would not. The
rounding error of neighbouring samples is the same error until the next step is crossed, so only
(steps crossed + 1) of them count as independent when the uncertainty is formed. Fewer do where what
the fit leaves over hangs together from block to block: n (1 − ρ) / (1 + ρ) with ρ the correlation
of neighbours (first-order autoregression; Box et al., "Time Series Analysis"; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.pack.statistics import F64, rounding_sigma

K_GRID = np.concatenate(([0.0], np.geomspace(1e-6, 0.1, 61)))
"""Rates [1/s] from which the fit starts; 0.1/s is a body that follows within seconds."""
NEWTON_STEPS = 6
SINGULAR = 1e-12
"""Below this part of its terms a difference is rounding: rate and start cannot be told apart."""


@dataclass(frozen=True, eq=False)
class ExchangeFit:
    """One fit per sensor, all of shape ``(m,)``.

    ``rate`` k [1/s] with its standard ``uncertainty`` [1/s], ``start_c`` the temperature at the
    first time [°C].
    """

    rate: F64
    uncertainty: F64
    start_c: F64


def first_order(time_s: F64, liquid_c: F64, rate: F64, start_c: F64) -> F64:
    """Temperatures (n, m) [°C] of bodies with ``rate`` (m,) and ``start_c`` (m,) in the liquid."""
    return _solve(time_s, liquid_c, rate, start_c)[0]


def _solve(time_s: F64, liquid_c: F64, rate: F64, start_c: F64) -> tuple[F64, F64]:
    """The temperature and its derivative with respect to the rate, each (n, m)."""
    temperature = np.empty((len(time_s), len(rate)))
    slope = np.zeros_like(temperature)
    temperature[0] = start_c
    for row in range(len(time_s) - 1):
        span = time_s[row + 1] - time_s[row]
        rise = liquid_c[row + 1] - liquid_c[row]
        exponent = rate * span
        decay = np.exp(-exponent)
        # (1 − e^−x)/x and its derivative, by series where x is small enough to lose digits.
        small = exponent < 1e-4
        safe = np.where(small, 1.0, exponent)
        mean_decay = np.where(small, 1.0 - exponent / 2 + exponent**2 / 6, (1 - decay) / safe)
        mean_slope = np.where(small, -0.5 + exponent / 3, (decay * (1.0 + safe) - 1.0) / safe**2)
        gap = temperature[row] - liquid_c[row]
        temperature[row + 1] = liquid_c[row + 1] - rise * mean_decay + gap * decay
        slope[row + 1] = slope[row] * decay - span * (gap * decay + rise * mean_slope)
    return temperature, slope


def fit_exchange(time_s: F64, liquid_c: F64, temperature_c: F64, step_k: float) -> ExchangeFit:
    """Fit k and the start of each column of ``temperature_c`` (n, m), rounded to ``step_k`` [K].

    ``time_s`` (n,) ascending, ``liquid_c`` (n,) without NaN; NaN temperatures are left out. A
    column with fewer than three values gets NaN. A search over rates, with the start solved in
    closed form, finds the valley; Gauss–Newton steps (all columns at once) find its floor.
    """
    received = np.isfinite(temperature_c)
    weight = received.astype(np.float64)
    count = weight.sum(axis=0)
    usable = count >= 3
    rate = _search(time_s, liquid_c, np.where(received, temperature_c, 0.0), weight)
    start = np.zeros_like(rate)
    model, slope = _solve(time_s, liquid_c, rate, start)
    for _ in range(NEWTON_STEPS):
        decay = np.exp(-np.outer(time_s - time_s[0], rate))
        residual = np.where(received, temperature_c - model, 0.0)
        # Normal equations of the two unknowns, column by column.
        a, b, c = _sums(weight, slope, decay)
        right_k = (weight * slope * residual).sum(axis=0)
        right_start = (weight * decay * residual).sum(axis=0)
        determinant = a * c - b * b
        solid = determinant > SINGULAR * a * c
        divisor = np.where(solid, determinant, 1.0)
        change_k = np.where(solid, c * right_k - b * right_start, 0.0) / divisor
        change_start = np.where(solid, a * right_start - b * right_k, 0.0) / divisor
        rate = np.clip(rate + np.clip(change_k, -rate - 1e-5, rate + 1e-4), 0.0, K_GRID[-1])
        start = start + change_start
        model, slope = _solve(time_s, liquid_c, rate, start)
    # The start that belongs to the final rate, in closed form.
    decay = np.exp(-np.outer(time_s - time_s[0], rate))
    residual = np.where(received, temperature_c - model, 0.0)
    norm = np.maximum((weight * decay * decay).sum(axis=0), 1e-300)
    shift = (weight * decay * residual).sum(axis=0) / norm
    start, model = start + shift, model + decay * shift
    slope = _solve(time_s, liquid_c, rate, start)[1]
    residual = np.where(received, temperature_c - model, 0.0)
    mean_square = (residual**2).sum(axis=0) / np.maximum(count - 2, 1)
    uncertainty = rate_uncertainty(
        weight, slope, decay, model, step_k, mean_square, _effective(residual, weight)
    )
    blank = np.where(usable, 0.0, np.nan)
    return ExchangeFit(rate + blank, uncertainty + blank, start + blank)


def rate_uncertainty(
    weight: F64,
    slope: F64,
    decay: F64,
    model: F64,
    step_k: float,
    mean_square: F64 | float,
    effective: F64 | float = np.inf,
) -> F64:
    """Standard uncertainty of k [1/s] per column, shapes (n, m) → (m,); NaN where k is open.

    u² = v / (N · mean of J²), with v the variance of one value (what the fit leaves over, never
    below step²/12), J the derivative of the model by k freed of what the start could explain, and
    N = min(steps crossed + 1, values, ``effective``), see the head of this file.
    """
    a, b, c = _sums(weight, slope, decay)
    count = np.maximum(weight.sum(axis=0), 1.0)
    own = a - b * b / np.maximum(c, 1e-300)
    information = np.where(own > SINGULAR * a, own, np.nan) / count
    travel = np.abs(np.diff(model, axis=0)).sum(axis=0)
    independent = np.minimum(np.minimum(travel / max(step_k, 1e-9) + 1.0, count), effective)
    variance = np.maximum(mean_square, rounding_sigma(step_k) ** 2)
    return np.asarray(np.sqrt(variance / (independent * information)), np.float64)


def _effective(residual: F64, weight: F64) -> F64:
    """How many of a column's values are independent by their residuals (n, m) → (m,), 2 or more."""
    both = weight[1:] * weight[:-1]
    square = np.maximum((both * residual[:-1] ** 2).sum(axis=0), 1e-300)
    correlation = np.clip((both * residual[1:] * residual[:-1]).sum(axis=0) / square, 0.0, 1.0)
    fewer = weight.sum(axis=0) * (1 - correlation) / (1 + correlation)
    return np.asarray(np.maximum(fewer, 2.0), np.float64)


def rate_shifts(
    time_s: F64, liquid_c: F64, rate: F64, start_c: F64, weight: F64, changes_c: Sequence[F64]
) -> list[F64]:
    """What small changes, each (n, m) [K], of the temperatures do to the fitted rates (m,) [1/s].

    To first order Σ J δ / Σ J², J the derivative of the model by k freed of what the start could
    explain; ``weight`` (n, m) is 1 where a value came, else 0.
    """
    slope = _solve(time_s, liquid_c, rate, start_c)[1]
    decay = np.exp(-np.outer(time_s - time_s[0], rate))
    _, b, c = _sums(weight, slope, decay)
    own = weight * (slope - decay * (b / np.maximum(c, 1e-300)))
    square = np.maximum((own**2).sum(axis=0), 1e-300)
    return [(own * change).sum(axis=0) / square for change in changes_c]


def foreseen_uncertainty(
    time_s: F64, liquid_c: F64, rate: float, start_c: float, step_k: float
) -> float:
    """The uncertainty [1/s] that a fit would have for a body of ``rate`` in this liquid."""
    rates, starts = np.array([rate]), np.array([start_c])
    model, slope = _solve(time_s, liquid_c, rates, starts)
    decay = np.exp(-np.outer(time_s - time_s[0], rates))
    return float(rate_uncertainty(np.ones_like(model), slope, decay, model, step_k, 0.0)[0])


def _sums(weight: F64, slope: F64, decay: F64) -> tuple[F64, F64, F64]:
    return (
        (weight * slope * slope).sum(axis=0),
        (weight * slope * decay).sum(axis=0),
        (weight * decay * decay).sum(axis=0),
    )


def _search(time_s: F64, liquid_c: F64, temperature_c: F64, weight: F64) -> F64:
    """The rate of ``K_GRID`` that fits each column best, the start being free."""
    origin = float(liquid_c.mean())  # keeps the sums of squares small
    base = first_order(time_s, liquid_c - origin, K_GRID, np.zeros(len(K_GRID)))
    decay = np.exp(-np.outer(time_s - time_s[0], K_GRID))
    values = np.where(weight > 0, temperature_c - origin, 0.0)
    base_square = weight.T @ base**2 - 2.0 * values.T @ base
    along = values.T @ decay - weight.T @ (base * decay)
    norm = np.maximum(weight.T @ decay**2, 1e-300)
    best = np.argmin(base_square - along**2 / norm, axis=1)
    return np.asarray(K_GRID[best], np.float64)
