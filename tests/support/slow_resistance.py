"""The sums behind the cells' resistances, spelled out: one block and one cell at a time."""

from __future__ import annotations

from typing import Any

import numpy as np

Array = np.ndarray[Any, np.dtype[Any]]


def block_moments(
    time: Array, volts: Array, group: Array, block: Array, drive: Any, delay: float, groups: int
) -> Array:
    """The same sums by ``np.linalg.lstsq``: what is left of each column beside [1, t, q]."""
    grid = drive.start + drive.step * np.arange(len(drive.table))
    columns = [np.interp(time - delay, grid, c) for c in drive.table.T]
    inside = (time - delay >= grid[0]) & (time - delay < grid[-1])
    wide = len(columns) - 1 + volts.shape[1] + 1
    total = np.zeros((groups, wide, wide))
    for number in np.unique(block):
        rows = np.flatnonzero((block == number) & inside)
        if len(rows) < 5:
            continue
        beside = np.stack([np.ones(len(rows)), time[rows] - time[rows[0]], columns[-1][rows]], 1)
        beside[:, 1:] -= beside[:, 1:].mean(axis=0)
        beside /= np.maximum(np.abs(beside).max(axis=0), 1e-12)
        wanted = np.column_stack([*(c[rows] for c in columns[:-1]), -volts[rows]])
        left = wanted - beside @ np.linalg.lstsq(beside, wanted, rcond=1e-9)[0]
        into = total[group[rows[0]]]
        into[:-1, :-1] += left.T @ left
        into[-1, -1] += len(rows)
    return total


def delay_fit(
    time: Array, fall: Array, window: Array, response: Array, grid: Array, delay: float
) -> float:
    """The share of ``fall`` that the response takes up at one delay, by ``polyfit``."""
    shifted = np.interp(time - delay, grid, response)
    rr = rf = ff = 0.0
    for number in np.unique(window):
        rows = window == number
        t = time[rows] - time[rows].mean()
        r = shifted[rows] - np.polyval(np.polyfit(t, shifted[rows], 1), t)
        f = fall[rows] - np.polyval(np.polyfit(t, fall[rows], 1), t)
        rr, rf, ff = rr + r @ r, rf + r @ f, ff + f @ f
    return float(rf * rf / rr / ff)
