"""Robust statistics over peers, aware of the step of the instrument.

The rules of this file: arrays in, arrays out; NaN means "not received" and is never counted; a
scatter is never taken to be smaller than rounding to the instrument's step allows.

Sources: median absolute deviation and its factor 1.4826 for normal data, P. J. Rousseeuw and
C. Croux, "Alternatives to the median absolute deviation", J. Am. Stat. Assoc. 88 (1993), eq. 1.1
(from memory); rounding error of variance step²/12, the variance of a uniform distribution.
"""

from __future__ import annotations

import warnings
from statistics import NormalDist

import numpy as np

from busplan.frames.columns import F64, I64, Mask

MAD_FACTOR = 1.4826
"""Makes the median absolute deviation an estimate of a normal standard deviation."""

FALSE_ALARM = 0.002
"""Chance, per quantity and capture, that noise alone passes the gate of :func:`gate`."""

FEWEST_PEERS = 3
PRIOR_WEIGHT = 8.0
TRIMMED = 1.0 / 6.0

GATES = (
    (3, 6.2),
    (4, 5.8),
    (6, 5.4),
    (8, 5.28),
    (12, 4.97),
    (16, 4.92),
    (24, 4.71),
    (48, 4.65),
    (96, 4.57),
    (200, 4.6),
    (400, 4.65),
)
"""Numbers of peers, and the distance that one of them passes by noise in ``FALSE_ALARM``."""


def nan_median(values: F64, axis: int | None = None) -> F64:
    """Median over what was received; NaN where nothing was.

    Along an axis all are sorted at once, which is ten times as fast as :func:`numpy.nanmedian`.
    """
    if axis is None or values.shape[axis] == 0:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            return np.asarray(np.nanmedian(values, axis=axis), np.float64)
    ordered = np.sort(values, axis=axis)  # what was not received comes last
    count = np.count_nonzero(~np.isnan(values), axis=axis, keepdims=True)
    below = np.take_along_axis(ordered, np.maximum(count - 1, 0) // 2, axis)
    above = np.take_along_axis(ordered, np.minimum(count // 2, values.shape[axis] - 1), axis)
    return np.asarray(np.squeeze((below + above) / 2.0, axis), np.float64)


def mad_sigma(values: F64) -> float:
    """Standard deviation estimated as 1.4826 times the median absolute deviation.

    Small samples make it too small; the factor n/(n − 0.8) corrects the mean of it (Croux and
    Rousseeuw 1992, from memory). NaN below three values.
    """
    kept = values[np.isfinite(values)]
    if len(kept) < 3:
        return float("nan")
    spread = float(np.median(np.abs(kept - np.median(kept))))
    count = len(kept)
    return float(MAD_FACTOR * spread * count / (count - 0.8))


def rounding_sigma(step: float) -> float:
    """Standard deviation that rounding to ``step`` adds: step / √12."""
    return float(step / np.sqrt(12.0))


def gate(peers: int) -> float:
    """How far one of ``peers``, on either side, must stand out by :func:`deviates` to count.

    The critical value that noise alone passes, at any of the peers, in ``FALSE_ALARM`` of packs:
    found by simulation with :func:`others_of` itself (``tests/benchmarks/gate_values.py``), of
    normal scatter that is itself spread round the usual one as the prior of :func:`deviates` says.
    Scatter of long tails passes more often, so whoever accuses asks for an effect as well. Infinite
    below ``FEWEST_PEERS``.
    """
    if peers < FEWEST_PEERS:
        return float("inf")
    counts, values = zip(*GATES, strict=True)
    return float(np.interp(np.log(peers), np.log(counts), values))


def deviates(values: F64, uncertainty: F64 | float, usual: float) -> F64:
    """Distance of each value from the median of the others, in units of scatter and own error.

    ``(x − median) / √(s² + uncertainty²)``, shape as ``values``; NaN where there are fewer than
    ``FEWEST_PEERS`` values. The scatter is moderated (G. K. Smyth, "Linear models and empirical
    Bayes methods", Stat. Appl. Genet. Mol. Biol. 3 (2004), from memory): ``usual``, the scatter of
    sound peers, counts for ``PRIOR_WEIGHT`` values, the others' own for as many as there are. Of
    the others the furthest ``TRIMMED`` part is left out, and the rest made consistent with normal
    scatter.
    """
    result = np.full(values.shape, np.nan)
    known = np.flatnonzero(np.isfinite(values))
    if len(known) < FEWEST_PEERS:
        return result
    centre, scatter = others_of(values[known], usual)
    error = np.broadcast_to(np.asarray(uncertainty, np.float64), values.shape)[known]
    result[known] = (values[known] - centre) / np.sqrt(np.square(scatter) + np.square(error))
    return result


def others_of(values: F64, usual: float) -> tuple[F64, F64]:
    """Median and moderated scatter of each value's others, for any number of sets (…, n)."""
    n = values.shape[-1]
    place = np.arange(n - 1)
    others = values[..., place + (place >= np.arange(n)[:, None])]
    centre = np.median(others, axis=-1)
    used = n - 1 - int((n - 1) * TRIMMED)
    away = np.partition(np.abs(others - centre[..., None]), used - 1, axis=-1)[..., :used]
    own = np.square(away).sum(axis=-1) / _variance_inside(used / (n - 1))
    moderated = (PRIOR_WEIGHT * usual**2 + own) / (PRIOR_WEIGHT + used - 1)
    return centre, np.sqrt(moderated)


def _variance_inside(part: float) -> float:
    """Variance of the inner ``part`` of a standard normal distribution."""
    if part >= 1.0:
        return 1.0
    normal = NormalDist()
    edge = normal.inv_cdf((1.0 + part) / 2.0)
    return 1.0 - 2.0 * edge * normal.pdf(edge) / part


def runs(mask: Mask) -> tuple[I64, I64]:
    """First index and one past the last index of each run of true values, shapes ``(n_runs,)``."""
    padded = np.concatenate(([False], mask, [False])).astype(np.int8)
    edges = np.diff(padded)
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)


def longest_run(time_s: F64, mask: Mask) -> tuple[float, float]:
    """Start and length [s] of the longest run of true values; a length of 0 when there is none.

    Each sample stands for the time until the next one, the last one for nothing.
    """
    starts, stops = runs(mask)
    if not len(starts):
        return float("nan"), 0.0
    ends = np.minimum(stops, len(time_s) - 1)
    lengths = time_s[ends] - time_s[starts]
    best = int(np.argmax(lengths))
    return float(time_s[starts[best]]), float(lengths[best])


def time_where(time_s: F64, mask: Mask) -> float:
    """Total time [s] for which ``mask`` holds; the last sample stands for nothing."""
    return float(np.diff(time_s)[mask[:-1]].sum()) if len(time_s) > 1 else 0.0


def block_means(time_s: F64, values: F64, edges: F64) -> F64:
    """Mean of each column of ``values`` (n, m) between consecutive ``edges`` (b + 1,): (b, m).

    NaN in a block where a column received nothing.
    """
    index = np.searchsorted(edges, time_s, side="right") - 1
    inside = (index >= 0) & (index < len(edges) - 1)
    rows, kept = index[inside], values[inside]
    blocks = len(edges) - 1
    received = np.isfinite(kept)
    total = np.zeros((blocks, values.shape[1]))
    count = np.zeros_like(total)
    np.add.at(total, rows, np.where(received, kept, 0.0))
    np.add.at(count, rows, received)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
