"""The highest believable cell at any moment."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from busplan.frames.columns import F64, I64
from busplan.pack.series import PackSeries

CELL_V = (0.5, 6.0)


class Highest(NamedTuple):
    """Its voltage [V] at each time (n,), NaN where no cell is known, and its index."""

    volts: F64
    cell: I64


def highest_cell(
    series: PackSeries, time_s: F64, faulty: frozenset[tuple[str, int]]
) -> Highest | None:
    """By the last readings before each time; ``None`` when no cell was heard."""
    sampled = series.voltage
    if not len(sampled.time_s):
        return None
    with np.errstate(invalid="ignore"):
        believed = (sampled.value > CELL_V[0]) & (sampled.value < CELL_V[1])
    bad = [i for i in range(sampled.value.shape[1]) if ("cell", i) in faulty]
    believed[:, bad] = False
    value = np.where(believed, sampled.value, -np.inf)
    index, top = value.argmax(axis=1), value.max(axis=1)
    row = np.searchsorted(sampled.time_s, time_s, side="right") - 1
    last = np.maximum(row, 0)
    # A grid row stands for one step of the grid; the values in it are fresh.
    step = float(sampled.time_s[1] - sampled.time_s[0]) if len(sampled.time_s) > 1 else 1.0
    known = (row >= 0) & np.isfinite(top[last]) & (time_s - sampled.time_s[last] <= 2.0 * step)
    return Highest(np.where(known, top[last], np.nan), index[last].astype(np.int64))
