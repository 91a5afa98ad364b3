"""Slow twins of the warm-up kernels, by other ways: dense algebra and a general ODE solver."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.integrate import solve_ivp
from scipy.signal import lsim
from scipy.special import logsumexp
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


def low_pass_of_scipy(time_s: Array, curve: Array, tau_s: float) -> Array:
    """The same low pass as a transfer function of ``scipy.signal``, straight between the points."""
    return lsim(([1.0], [tau_s, 1.0]), curve - curve[0], time_s)[1]


def slow_row(
    time_s: Array, liquid: Array, tau_s: float, share: float, lean: float, place: int
) -> Array:
    """What the sensor of the ``place``-th of equal bodies in a row reads over its start [K].

    Each body warms as T' = (L - T)/tau, where L is what the one before it leaves (its own
    temperature) and tau is ``tau_s``/``share`` shared out over all; the sensor sees ``lean`` of L.
    """
    own = tau_s / share / place

    def rate(t: float, body: Array) -> Array:
        before = np.concatenate(([np.interp(t, time_s, liquid) - liquid[0]], body[:-1]))
        return (before - body) / own

    done = solve_ivp(
        rate,
        (time_s[0], time_s[-1]),
        np.zeros(place),
        t_eval=time_s,
        max_step=float(time_s[1] - time_s[0]),
        rtol=1e-9,
        atol=1e-10,
    )
    beside = liquid - liquid[0] if place == 1 else done.y[-2]
    return lean * beside + (1.0 - lean) * done.y[-1]


def slow_liquid(
    time_s: Array, curve: Array, liquid: Array, sd: Array, apart_k: float, tau_s: float
) -> float:
    """Log likelihood that the curve follows a liquid (k, 2) with ``tau_s``, by dense algebra.

    The mean over sensors of 8 to 90 s and ways of 0 to 28 s.
    """
    pick = np.unique(np.linspace(0, len(curve) - 1, 60).astype(int))
    at = time_s[pick]
    sigma = np.full(len(pick), 0.1 + 0.02 * (curve.max() - curve.min()))
    told = []
    for way_s in (0.0, 7.0, 14.0, 28.0):
        arrived = np.interp(time_s - way_s, liquid[:, 0], liquid[:, 1])
        for lag_s in (8.0, 16.0, 30.0, 55.0, 90.0):
            seen = low_pass_of_scipy(time_s, arrived, lag_s)
            body = low_pass_of_scipy(time_s, seen, tau_s)
            lost = low_pass_of_scipy(time_s, body, tau_s)[pick] * tau_s
            gap = float(np.sqrt(np.mean((seen - body)[pick] ** 2)))
            waves = [np.cos(k * np.pi * at / time_s[-1]) / k for k in (1, 2, 3)]
            design = np.array(
                [np.full(len(pick), apart_k), (2.0 + sd[1]) * np.exp(-at / tau_s), sd[2] * lost]
                + [(sd[3] + sd[4] * gap) * wave for wave in waves]
            )
            residual = (curve - curve[0] - body)[pick] + sd[5] * lost
            told.append(slow_marginal(design, residual, sigma))
    return float(logsumexp(told) - np.log(len(told)))
