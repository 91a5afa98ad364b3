"""Indication of capacity spread from a capture that covers much of the charge.

The median cell gives the curve f(Q) of voltage against charge Q [Ah]. A cell whose capacity is the
m-th part of the median one runs through the same curve faster, starts elsewhere on it, and has its
own resistance. To first order::

    V_i(Q) − f(Q) = f'(Q) · (s + (1/m − 1) (Q − Q0)) − r I

with s the charge by which it is ahead [Ah]. This is linear in s, (1/m − 1) and r, and solved by
least squares for all cells at once; f' comes from f smoothed over a fiftieth of the charge moved.
It needs a curve that bends (else s and m cannot be told apart), which the uncertainty shows.
Method: curve comparison as in incremental capacity analysis, common practice, no source for the
linearised form.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.pack.series import PackSeries
from busplan.pack.statistics import F64, I64, Mask, nan_median

LEAST_RISE_V = 0.15
"""The median cell must move by this much, or the capture covers too little of the charge."""
FLOWING_SHARE = 0.02
MOST_LEAPS = 10
POINTS = 200
KNOWN = 0.03
"""A capacity known to this relative uncertainty is worth telling."""


@dataclass(frozen=True, eq=False)
class Capacity:
    """Capacity of each cell relative to the median cell (m,), and its standard uncertainty."""

    relative: F64
    uncertainty: F64

    @property
    def told(self) -> Mask:
        """Cells whose capacity is known well enough to be told."""
        return np.isfinite(self.uncertainty) & (self.uncertainty <= KNOWN)


def fit_capacity(series: PackSeries, faulty: frozenset[tuple[str, int]]) -> Capacity | None:
    """Capacities from one capture; ``None`` when it covers too little or has no current."""
    sampled = series.voltage
    amps = series.quantity_at("current", sampled.time_s)
    if amps is None or len(sampled.time_s) < POINTS:
        return None
    amps = np.nan_to_num(amps)
    steps = np.diff(sampled.time_s, prepend=sampled.time_s[0])
    charge = np.cumsum(amps * steps) / 3600.0
    moved = float(np.ptp(charge))
    if moved <= 0.0 or not _steady(amps):
        return None
    # Parts of equal charge, so that rests do not weigh more than motion.
    edges = np.linspace(float(charge.min()), float(charge.max()), POINTS + 1)
    part = np.clip(np.searchsorted(edges, charge, side="right") - 1, 0, POINTS - 1)
    count = np.bincount(part, minlength=POINTS)
    value = _means(sampled.value, part, count)
    value[:, [i for kind, i in faulty if kind == "cell"]] = np.nan
    current = np.bincount(part, amps, POINTS) / np.maximum(count, 1)
    middle = (edges[:-1] + edges[1:]) / 2
    curve = nan_median(value, axis=1)
    use = (count > 0) & np.isfinite(curve)
    if use.sum() < POINTS // 2 or float(np.ptp(curve[use])) < LEAST_RISE_V:
        return None
    return _solve(middle[use], curve[use], value[use], current[use])


def _steady(amps: F64) -> bool:
    """Whether what flows flows one way and without leaps, as in charging: sag then changes slowly.

    The slope of the curve could not be told from a changing sag otherwise.
    """
    flowing = np.abs(amps) > FLOWING_SHARE * float(np.abs(amps).max())
    if flowing.mean() < 0.5:
        return False
    kept = amps[flowing]
    leaps = np.abs(np.diff(kept)) > 0.05 * float(np.abs(kept).max())
    return bool((np.sign(kept) == np.sign(kept[0])).all() and leaps.sum() <= MOST_LEAPS)


def _means(value: F64, part: I64, count: I64) -> F64:
    total = np.zeros((POINTS, value.shape[1]))
    np.add.at(total, part, value)
    return np.where(count[:, None] > 0, total / np.maximum(count, 1)[:, None], np.nan)


def _solve(charge: F64, curve: F64, value: F64, current: F64) -> Capacity:
    width = max(len(charge) // 50, 2)
    slope = np.convolve(np.gradient(curve, charge), np.ones(width) / width, mode="same")
    inner = slice(width, len(charge) - width)
    charge, curve, value, current, slope = (
        charge[inner],
        curve[inner],
        value[inner],
        current[inner],
        slope[inner],
    )
    centred = charge - charge.mean()
    columns = [slope, slope * centred]
    if float(np.ptp(current)) > 0.05 * float(np.abs(current).max()):
        columns.append(-current)
    else:
        columns.append(np.ones(len(charge)))  # a constant current: its sag is a constant offset
    design = np.stack(columns, axis=1)
    rows = np.isfinite(value)
    whole = rows.all(axis=0)
    unknown = np.full(value.shape[1], np.nan)
    relative, uncertainty = unknown.copy(), unknown.copy()
    if whole.any():
        scale = np.linalg.norm(design, axis=0)
        scaled = design / scale
        difference = value[:, whole] - curve[:, None]
        solution = np.linalg.lstsq(scaled, difference, rcond=None)[0]
        left = difference - scaled @ solution
        # Neighbouring parts share what the smoothing did: count one in ``width`` as independent.
        variance = (left**2).sum(axis=0) / max(len(charge) - 3, 1) * width
        spread = np.linalg.pinv(scaled.T @ scaled)
        stretch = solution[1] / scale[1]
        relative[whole] = 1.0 / np.clip(1.0 + stretch, 0.2, 5.0)
        uncertainty[whole] = np.sqrt(variance * spread[1, 1]) / scale[1] * relative[whole] ** 2
    return Capacity(relative, uncertainty)
