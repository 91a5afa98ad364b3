"""Shift and stretch of each cell's voltage curve against that of its peers.

Over charge x [Ah, upwards towards full] all cells of one kind run through one curve U, each from
its own place and at its own pace (self-modelling regression: Lawton, Sylvestre, Maggio 1972, from
memory)::

    V_i(x) = U(a_i + b_i x) - (R + r_i) I

b_i is 1 / relative capacity, a_i the charge by which the cell is ahead at x = 0, R the resistance
that all share and r_i a cell's own beyond it. U is a cubic spline through all cells laid over one
another; a, b, r follow by Gauss and Newton, with a prior on R and r alone. R matters where the
current fades: the same sag then stands at another place of the curve of each cell. What is left
over is no white noise: a cell's
own shape differs slowly along x. It is taken as an Ornstein-Uhlenbeck error whose size and length
all cells together show, so that neighbouring parts of the charge do not count as independent.

A cell is held against U only where others have shown it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline, make_lsq_spline

from busplan.frames.columns import F64, Mask

ROUNDS = 6
KNOTS = 36
LEAST_ERROR_V = 0.0005
"""The error of shape is never taken to be smaller (found on solved cells of two kinds)."""
COMMON = 5.0
"""The resistance that all share is expected at so many times the scatter of their own."""
LENGTHS = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
"""Lengths of the error that are tried, in parts of the charge."""
OTHERS = 3
"""So many other cells must have been at a place of the curve."""


@dataclass(frozen=True, eq=False)
class Stretch:
    """What was found of each cell, shape (m,); NaN for cells of which nothing can be said.

    ``shift`` [Ah] at x = 0 and ``pace`` (b) with their standard uncertainties; ``misfit`` is
    chi^2 per degree of freedom against the error that the cells share; ``share`` the part of the
    window in which other cells have shown the curve. ``slope`` [V/Ah] is the curve's median slope.
    """

    shift: F64
    shift_error: F64
    pace: F64
    pace_error: F64
    misfit: F64
    share: F64
    slope: float


def fit_stretch(charge: F64, volts: F64, amps: F64, prior_ohm: float) -> Stretch:
    """Fit cells ``volts`` (n, m) [V] over parts of equal ``charge`` (n,) [Ah]; ``amps`` (n,) [A].

    ``prior_ohm`` is the standard deviation of a cell's resistance over the middle one. The middle
    of ``charge`` is taken as x = 0. At least four cells that were heard in every part.
    """
    x = charge - (charge[0] + charge[-1]) / 2
    heard = np.flatnonzero(np.isfinite(volts).all(axis=0))
    values = volts[:, heard]
    count = values.shape[1]
    shift, pace, ohm = np.zeros(count), np.ones(count), np.zeros(count)
    weight = np.ones(count)
    length, common = 8.0, COMMON * prior_ohm
    for round_ in range(ROUNDS):
        place = shift + pace * x[:, None]
        level = values + (common + ohm) * amps[:, None]
        curve = _curve(place, level, weight)
        kept = _shown(place)
        left = level - curve(place)
        slope = curve(place, 1)
        design = np.stack(
            [slope, slope * x[:, None], np.broadcast_to(-amps[:, None], slope.shape)], axis=2
        )
        if round_ >= 1:
            length = _length(left, design, kept, ohm, prior_ohm)
        step, cover, chi, size = _solve(left, design, kept, length, ohm, prior_ohm)
        lag = level + prior_ohm * amps[:, None]
        turned = (lag - _curve(place, lag, weight)(place) - left) / prior_ohm
        common += _common_step(
            left, turned, design, kept, length, (size, ohm, prior_ohm, common, weight)
        )
        shift, pace, ohm = (v + step[:, k] for k, v in enumerate((shift, pace, ohm)))
        # What all share is no cell's own: the middle cell stands still.
        middle = float(np.median(pace))
        shift, pace, ohm = shift - np.median(shift), pace / middle, ohm - np.median(ohm)
        # A cell of another shape must not bend the curve of its peers.
        weight = 1.0 / (1.0 + np.square(chi / (3.0 * max(float(np.median(chi)), 1e-12))) ** 2)
    misfit = chi / size**2
    wide = np.sqrt(np.maximum(misfit, 1.0))

    def whole(values: F64) -> F64:
        placed = np.full(volts.shape[1], np.nan)
        placed[heard] = values
        return placed

    return Stretch(
        shift=whole(shift),
        shift_error=whole(np.sqrt(cover[:, 0, 0]) * wide),
        pace=whole(pace),
        pace_error=whole(np.sqrt(cover[:, 1, 1]) * wide),
        misfit=whole(misfit),
        share=whole(kept.mean(axis=0)),
        slope=float(np.median(np.abs(slope))),
    )


def _common_step(
    left: F64,
    turned: F64,
    design: F64,
    kept: Mask,
    length: float,
    state: tuple[float, F64, float, float, F64],
) -> float:
    """Step of the shared resistance [ohm]; ``turned`` (n, m) is what an ohm does to ``left``."""
    size, ohm, prior_ohm, common, weight = state
    square, product, _ = _normal(left, design, kept, length)
    with_own = np.einsum(
        "nmi,nm->mi", _whitened(design, kept, length), _whitened(turned, kept, length)
    )
    itself = np.square(_whitened(turned, kept, length)).sum(axis=0)
    against = (_whitened(turned, kept, length) * _whitened(left, kept, length)).sum(axis=0)
    square[:, 2, 2] += (size / prior_ohm) ** 2
    product[:, 2] -= ohm * (size / prior_ohm) ** 2
    inverse = np.linalg.inv(square + 1e-12 * np.eye(3))
    # What each cell's own three figures can take up is projected out.
    info = itself - np.einsum("mi,mij,mj->m", with_own, inverse, with_own)
    pull = -against + np.einsum("mi,mij,mj->m", with_own, inverse, product)
    prior = (size / (COMMON * prior_ohm)) ** 2
    total = float((weight * pull).sum()) + prior * (COMMON * prior_ohm - common)
    return total / (float((weight * info).sum()) + prior)


def _curve(place: F64, values: F64, weight: F64) -> BSpline:
    """The curve through all cells laid over one another."""
    order = np.argsort(place, axis=None, kind="stable")
    x, y = place.ravel()[order], values.ravel()[order]
    w = np.broadcast_to(np.sqrt(weight), place.shape).ravel()[order]
    inner = np.linspace(x[0], x[-1], KNOTS + 2)[1:-1]
    # A knot without data on either side could not be placed (rule of Schoenberg and Whitney).
    held = np.diff(np.searchsorted(x, [x[0], *inner, x[-1]])) >= 4
    inner = inner[held[:-1] & held[1:]]
    knots = np.concatenate(([x[0]] * 4, inner, [x[-1]] * 4))
    return make_lsq_spline(x, y, knots, k=3, w=w)


def _shown(place: F64) -> Mask:
    """Where at least ``OTHERS`` other cells have been: one stretch of rows for each cell (n, m)."""
    lows, highs = np.sort(place[0]), np.sort(place[-1])
    most = min(OTHERS, place.shape[1] - 1)
    return np.asarray((place >= lows[most]) & (place <= highs[-1 - most]), np.bool_)


def _whitened(values: F64, kept: Mask, length: float) -> F64:
    """What is new in each row of an Ornstein-Uhlenbeck error of unit size; 0 in rows left out."""
    near = float(np.exp(-1.0 / length))
    shape = kept.shape + (1,) * (values.ndim - 2)
    held = np.where(kept.reshape(shape), values, 0.0)
    before = np.zeros_like(held)
    before[1:] = held[:-1]
    follows = np.zeros_like(kept)
    follows[1:] = kept[:-1] & kept[1:]
    return np.where(follows.reshape(shape), (held - near * before) / np.sqrt(1.0 - near**2), held)


def _normal(left: F64, design: F64, kept: Mask, length: float) -> tuple[F64, F64, F64]:
    """Square (m, 3, 3), product (m, 3) and sum of squares (m,) of the whitened rows."""
    y, a = _whitened(left, kept, length), _whitened(design, kept, length)
    return (
        np.einsum("nmi,nmj->mij", a, a),
        np.einsum("nmi,nm->mi", a, y),
        np.einsum("nm,nm->m", y, y),
    )


def _solve(
    left: F64, design: F64, kept: Mask, length: float, ohm: F64, prior_ohm: float
) -> tuple[F64, F64, F64, float]:
    """Step (m, 3), covariance (m, 3, 3), mean square left (m,), and the shared error [V]."""
    square, product, total = _normal(left, design, kept, length)
    free = np.maximum(kept.sum(axis=0) - 3, 1)
    size = LEAST_ERROR_V
    for _ in range(2):  # the prior's weight depends on the error, which it hardly changes
        own = square / size**2
        pull = product / size**2
        own[:, 2, 2] += 1.0 / prior_ohm**2
        pull[:, 2] -= ohm / prior_ohm**2
        cover = np.asarray(np.linalg.inv(own + 1e-12 * np.eye(3)), np.float64)
        step = np.asarray(np.einsum("mij,mj->mi", cover, pull), np.float64)
        rest = (
            total
            - 2.0 * np.einsum("mi,mi->m", step, product)
            + np.einsum("mi,mij,mj->m", step, square, step)
        )
        chi = np.asarray(np.maximum(rest, 0.0) / free, np.float64)
        size = max(float(np.sqrt(_trimmed(chi))), LEAST_ERROR_V)
    return step, cover, chi, size


def _trimmed(values: F64) -> float:
    """Mean without the greatest quarter."""
    kept = np.sort(values)[: max(-(-len(values) * 3 // 4), 1)]
    return float(kept.mean())


def _length(left: F64, design: F64, kept: Mask, ohm: F64, prior_ohm: float) -> float:
    """The length of the error [parts] that is most likely over all cells (marginal likelihood)."""
    best, found = -np.inf, LENGTHS[0]
    for length in LENGTHS:
        square = _normal(left, design, kept, length)[0]
        _, _, chi, size = _solve(left, design, kept, length, ohm, prior_ohm)
        rows = kept.sum(axis=0)
        inner = (rows - 1) * np.log1p(-np.exp(-2.0 / length))
        own = square / size**2
        own[:, 2, 2] += 1.0 / prior_ohm**2
        each = rows * 2.0 * np.log(size) + (rows - 3) * chi / size**2 + inner + _log_det(own)
        value = -float(np.median(each))
        if value > best:
            best, found = value, length
    return found


def _log_det(square: F64) -> F64:
    return np.asarray(np.linalg.slogdet(square)[1], np.float64)
