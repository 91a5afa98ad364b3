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
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

MAD_FACTOR = 1.4826
"""Makes the median absolute deviation an estimate of a normal standard deviation."""

FALSE_ALARM = 0.002
"""Chance, per quantity and capture, that noise alone passes the gate of :func:`gate`."""


def nan_median(values: F64, axis: int | None = None) -> F64:
    """Median over what was received; NaN where nothing was."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(np.nanmedian(values, axis=axis), np.float64)


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


def gate(peers: int, false_alarm: float = FALSE_ALARM) -> float:
    """How many standard deviations one of ``peers`` must stand out to count.

    Bonferroni's bound: the chance that any of them passes by noise is at most ``false_alarm``.
    """
    return float(NormalDist().inv_cdf(1.0 - false_alarm / max(peers, 1)))


def deviates(values: F64, uncertainty: F64 | float, floor: float) -> F64:
    """Distance of each value from the median of all, in units of scatter and own uncertainty.

    ``(x − median) / √(max(MAD-sigma, floor)² + uncertainty²)``, shape as ``values``.
    """
    scatter = mad_sigma(values)
    scatter = floor if not np.isfinite(scatter) else max(scatter, floor)
    centre = nan_median(values)
    return np.asarray((values - centre) / np.sqrt(scatter**2 + np.square(uncertainty)), np.float64)


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
