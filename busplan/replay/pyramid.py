"""Lowest and highest of any stretches of a long series, without looking at every value again."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from busplan.frames.columns import F64, I64

BLOCK = 64
"""Values that one value of the next level stands for."""


class Pyramid:
    """Over ``value`` (n,), NaN where there is none. Levels above are made when first needed."""

    def __init__(self, value: F64) -> None:
        self.value = value

    @cached_property
    def _levels(self) -> list[tuple[F64, F64]]:
        """Lowest and highest: of single values, of blocks, of blocks of blocks."""
        levels = [(self.value, self.value)]
        while len(levels[-1][0]) > BLOCK:
            low, high = levels[-1]
            starts = np.arange(0, len(low), BLOCK)
            levels.append((np.fmin.reduceat(low, starts), np.fmax.reduceat(high, starts)))
        return levels

    def extremes(self, first: I64, last: I64) -> tuple[F64, F64]:
        """Lowest and highest of ``value[first:last]`` for many stretches (m,); NaN without any."""
        low, high = (np.full(len(first), np.nan) for _ in range(2))
        if not len(self.value):
            return low, high
        begin, end = first, np.maximum(last, first)
        levels = self._levels
        for number, (lows, highs) in enumerate(levels):
            up, down = -(-begin // BLOCK), end // BLOCK
            whole = (up < down) & (number + 1 < len(levels))
            head = np.where(whole, up * BLOCK, np.minimum(begin + BLOCK, end))
            tail = np.where(whole, down * BLOCK, head)
            for a, b in ((begin, head), (tail, end)):
                _take(lows, highs, a, b, low, high)
            begin, end = np.where(whole, up, 0), np.where(whole, down, 0)
            if not whole.any():
                break
        return low, high


def _take(lows: F64, highs: F64, begin: I64, end: I64, low: F64, high: F64) -> None:
    """Bring in short stretches, each of at most two blocks."""
    widest = int((end - begin).max(initial=0))
    if widest <= 0:
        return
    at = begin[:, None] + np.arange(widest)
    inside = at < end[:, None]
    at = np.minimum(at, len(lows) - 1)
    np.fmin(low, np.fmin.reduce(np.where(inside, lows[at], np.nan), axis=1), out=low)
    np.fmax(high, np.fmax.reduce(np.where(inside, highs[at], np.nan), axis=1), out=high)
