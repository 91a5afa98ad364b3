"""The curve the peers follow together: a penalised spline through all their observations.

Straight between knots ``KNOT_S`` apart; what is penalised are its second differences (P-splines:
Eilers and Marx, Statistical Science 11, 1996; from memory), as those of a rate that wanders by
``BEND`` [K²/s³] a second. It need only be right where peers were observed; no slope of it is used.
"""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import F64

KNOT_S = 5.0
MOST_KNOTS = 800
BEND = (1.5e-4 * KNOT_S**2) ** 2 / KNOT_S**3
"""A second derivative of 1.5e-4 K/s² between knots of 5 s: a heater or a gun that is switched."""


def knots(length_s: float) -> tuple[int, float]:
    """How many knots a span has, and their distance [s]."""
    step = max(KNOT_S, length_s / (MOST_KNOTS - 1))
    count = int(np.ceil(length_s / step)) + 1
    return max(count, 4), step


def fit_curve(time_s: F64, value: F64, sigma: F64, count: int, step_s: float) -> F64:
    """The curve at its knots (count,) through observations (n,) of any order."""
    from scipy.linalg import solveh_banded

    weight = 1.0 / sigma**2
    row = np.minimum((time_s / step_s).astype(np.int64), count - 2)
    part = time_s / step_s - row
    middle = float(np.median(value))
    band = np.zeros((3, count))  # lower form: band[d, i] is element (i + d, i)
    right = np.zeros(count)
    for shift, share in ((0, 1.0 - part), (1, part)):
        band[0] += np.bincount(row + shift, weight * share**2, count)
        right += np.bincount(row + shift, weight * share * (value - middle), count)
    band[1] += np.bincount(row, weight * part * (1.0 - part), count)
    stiff = 1.0 / (BEND * step_s**3)
    for shift, coefficient in ((0, 1.0), (1, -2.0), (2, 1.0)):
        band[0, shift : count - 2 + shift] += stiff * coefficient**2
    band[1, : count - 2] -= 2.0 * stiff
    band[1, 1 : count - 1] -= 2.0 * stiff
    band[2, : count - 2] += stiff
    return np.asarray(middle + solveh_banded(band, right, lower=True), np.float64)
