"""Slow twins of the warm-up kernels, by other ways: dense algebra and a general ODE solver."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.integrate import solve_ivp
from scipy.stats import multivariate_normal

Array = np.ndarray[Any, np.dtype[Any]]


def slow_crossings(time_s: Array, code: Array, window_s: float) -> list[tuple[float, float]]:
    """(time, level) of each level passed for good, by lists of the changes about each level.

    Only for readings that never leap over a code.
    """
    changes: dict[float, list[list[tuple[float, int]]]] = {}
    for before, after in zip(range(len(code) - 1), range(1, len(code)), strict=True):
        step = int(code[after] - code[before])
        if step == 0:
            continue
        at = (time_s[before] + time_s[after]) / 2
        bouts = changes.setdefault((code[before] + code[after]) / 2, [])
        if bouts and at - bouts[-1][-1][0] <= window_s:
            bouts[-1].append((at, step))
        else:
            bouts.append([(at, step)])
    found = []
    for level, bouts in changes.items():
        for bout in bouts:
            net = sum(step for _, step in bout)
            if net:
                found.append((sum(at * step for at, step in bout) / net, level))
    return sorted(found)


def slow_low_pass(time_s: Array, curve: Array, tau_s: float) -> Array:
    """F' = (curve - curve[0] - F)/tau from rest, by a general solver."""
    done = solve_ivp(
        lambda t, f: (np.interp(t, time_s, curve) - curve[0] - f) / tau_s,
        (time_s[0], time_s[-1]),
        [0.0],
        t_eval=time_s,
        max_step=float(time_s[1] - time_s[0]) / 2,
        rtol=1e-9,
        atol=1e-10,
    )
    return done.y[0]


def slow_plate(time_s: Array, curve: Array, tau_s: float, units: float, loss: float) -> Array:
    """What passes a place ``units`` further along a plate, where ``curve - curve[0]`` enters.

    dL/dx = T - L along 0 < x < ``units``, T' = (L - T)/tau - loss T, by 120 slices.
    """
    slices = 120
    half = units / slices / 2

    def liquid(t: float, body: Array) -> Array:
        edge = np.empty(slices + 1)
        edge[0] = np.interp(t, time_s, curve) - curve[0]
        for i in range(slices):  # the mean of both edges is what passes a slice
            edge[i + 1] = (edge[i] * (1 - half) + 2 * half * body[i]) / (1 + half)
        return edge

    def rate(t: float, body: Array) -> Array:
        edge = liquid(t, body)
        return ((edge[1:] + edge[:-1]) / 2 - body) / tau_s - loss * body

    span = (time_s[0], time_s[-1])
    done = solve_ivp(
        rate, span, np.zeros(slices), t_eval=time_s, max_step=10.0, rtol=1e-8, atol=1e-9
    )
    return np.array([liquid(t, done.y[:, k])[-1] for k, t in enumerate(time_s)])


def slow_change(
    time_s: Array, curve: Array, tau_s: float, at_s: float, before: float, after: float
) -> Array:
    """Rise of T' = e (L - T)/tau with L = R + tau R' and e changing at ``at_s``."""
    slope = np.diff(curve) / np.diff(time_s)

    def rate(t: float, rise: Array) -> Array:
        share = before if t < at_s else after
        row = min(int(np.searchsorted(time_s, t, side="right")) - 1, len(slope) - 1)
        liquid = np.interp(t, time_s, curve) - curve[0] + tau_s * slope[row]
        return share / tau_s * (liquid - rise)

    done = solve_ivp(
        rate,
        (time_s[0], time_s[-1]),
        [0.0],
        t_eval=time_s,
        max_step=float(time_s[1] - time_s[0]) / 4,
        rtol=1e-8,
        atol=1e-9,
    )
    return done.y[0]


def slow_marginal(design: Array, residual: Array, sigma: Array) -> float:
    """Log density of the residual (n,) when ``design`` (p, n) has N(0, 1) unknowns.

    Less what does not depend on the design, as the kernel leaves it out.
    """
    whole = np.diag(sigma**2) + design.T @ design
    full = multivariate_normal(np.zeros(len(residual)), whole).logpdf(residual)
    return float(full + np.log(sigma).sum() + len(residual) / 2 * np.log(2 * np.pi))


def slow_curve(
    time_s: Array, value: Array, sigma: Array, count: int, step_s: float, bend: float
) -> Array:
    """The penalised spline by dense least squares."""
    rows = []
    for at, s in zip(time_s, sigma, strict=True):
        row = np.zeros(count)
        i = min(int(at / step_s), count - 2)
        row[i], row[i + 1] = i + 1 - at / step_s, at / step_s - i
        rows.append(row / s)
    second = np.diff(np.eye(count), 2, axis=0) / np.sqrt(bend * step_s**3)
    left = np.vstack((np.array(rows), second))
    right = np.concatenate((value / sigma, np.zeros(count - 2)))
    return np.linalg.lstsq(left, right, rcond=None)[0]
