"""Where in a capture the modules warm up or cool down, and whether that is enough for a test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.frames.columns import F64
from busplan.pack.series import Sampled
from busplan.pack.statistics import block_means, nan_median, runs

MOST_BLOCKS = 480
SHORTEST_BLOCK_S = 5.0
LEAST_CHANGE_STEPS = 2.5
"""Steps by which the median sensor must move before the modules are compared."""
LEAST_TO_NAME_STEPS = 2.0
"""From so many on a module that is plainly late is named, and no other one cleared."""
LEAST_RATE_K_MIN = 0.1
"""And how fast: slower than this is drift (a rest of six hours), not a test of the loop."""
LEVEL_STEPS = 0.1
"""While the mean sensor has moved by no more than this, it stands level."""
SHORTEST_PLATEAU_S = 30.0
"""A level start of this length parts a sensor that reads wrong from one that is late."""
LONGEST_PLATEAU_S = 120.0
LONGEST_TAIL_S = 300.0
"""What is judged goes on so long after the move, while the median sensor stays where it came to."""


@dataclass(frozen=True, slots=True)
class ThermalSpan:
    """One warm-up or cool-down: from ``start_s`` (level until ``moves_s``) to ``stop_s`` [s].

    ``plateau``: the level part before it was recorded. ``rise_steps`` and ``rate_k_min`` say how
    far and how fast the median sensor moved (without sign; ``rate_k_min`` between a tenth and nine
    tenths of the move).
    """

    start_s: float
    moves_s: float
    stop_s: float
    heating: bool
    plateau: bool
    rise_steps: float
    rate_k_min: float

    @property
    def enough(self) -> bool:
        """Whether anything warms or cools far and fast enough to compare modules."""
        return self.rise_steps >= LEAST_CHANGE_STEPS and self.rate_k_min >= LEAST_RATE_K_MIN

    @property
    def enough_to_name(self) -> bool:
        """Whether a module that is plainly late may be named, though none can be cleared."""
        fast = self.rate_k_min >= LEAST_RATE_K_MIN
        return self.rise_steps >= LEAST_TO_NAME_STEPS and fast


def find_thermal_span(sampled: Sampled, step_k: float) -> ThermalSpan | None:
    """The greatest one-way move of the median sensor; ``None`` when it is too small for a test."""
    span = widest_move(sampled, step_k)
    return span if span is not None and span.enough else None


def widest_move(
    sampled: Sampled, step_k: float, within_s: tuple[float, float] | None = None
) -> ThermalSpan | None:
    """The greatest rise (or fall) between any two moments in order, with the level part before it.

    With ``within_s`` exactly that span, as a person has named it. ``None`` when next to nothing was
    received.
    """
    if len(sampled.time_s) < 4:
        return None
    start, stop = within_s or (float(sampled.time_s[0]), float(sampled.time_s[-1]))
    count = int((stop - start) / max(SHORTEST_BLOCK_S, (stop - start) / MOST_BLOCKS))
    edges = np.linspace(start, stop, max(count, 1) + 1)
    blocks = block_means(sampled.time_s, sampled.value, edges)
    median = nan_median(blocks, axis=1)
    known = np.isfinite(median)
    if known.sum() < 4:
        return None
    centre = ((edges[:-1] + edges[1:]) / 2)[known]
    median, blocks = median[known], blocks[known]
    half = float(edges[1] - edges[0]) / 2
    if within_s is None:
        first, last, sign = _greatest(median)
        last = _goes_on(median, centre, last)
        begins, ends = float(centre[0]) - half, float(centre[last]) + half
    else:
        first, last = 0, len(median) - 1
        sign = 1.0 if median[-1] >= median[0] else -1.0
        begins, ends = start, stop
    level_from, level_to = _level(sign * _mean_move(blocks[: last + 1]), first, step_k)
    moves = float(centre[level_to]) + half
    begins = max(float(centre[level_from]) - half, moves - LONGEST_PLATEAU_S, begins)
    change = sign * float(median[last] - median[first])
    rate = _rate(centre[: last + 1], sign * (median[: last + 1] - median[first]), change)
    return ThermalSpan(
        start_s=begins,
        moves_s=moves,
        stop_s=ends,
        heating=sign > 0,
        plateau=moves - begins >= SHORTEST_PLATEAU_S,
        rise_steps=max(change, 0.0) / step_k,
        rate_k_min=rate,
    )


def _greatest(median: F64) -> tuple[int, int, float]:
    """First and last index of the greatest one-way move, and its sign."""
    best = (0.0, 0, len(median) - 1, 1.0)
    for sign in (1.0, -1.0):
        lowest = np.minimum.accumulate(sign * median)
        change = sign * median - lowest
        last = int(np.argmax(change))
        if change[last] > best[0]:
            first = int(np.argmin(sign * median[: last + 1]))
            best = (float(change[last]), first, last, sign)
    return best[1], best[2], best[3]


def _goes_on(median: F64, centre: F64, last: int) -> int:
    """Last index of the level stretch after the move, as far as it still tells who follows."""
    moved = last
    while (
        last + 1 < len(median)
        and median[last + 1] == median[last]
        and centre[last + 1] - centre[moved] <= LONGEST_TAIL_S
    ):
        last += 1
    return last


def _mean_move(blocks: F64) -> F64:
    """Mean over sensors of how far each is from its first value, (n, m) → (n,) [K].

    The mean moves by a part of a step as soon as the first few sensors do, the median only when
    half of them have.
    """
    heard = np.isfinite(blocks)
    first = blocks[np.argmax(heard, axis=0), np.arange(blocks.shape[1])]
    moved = np.where(heard, blocks - first, 0.0)
    return np.asarray(moved.sum(axis=1) / np.maximum(heard.sum(axis=1), 1), np.float64)


def _level(move: F64, first: int, step_k: float) -> tuple[int, int]:
    """First and last index of the level stretch the move starts from."""
    lowest = float(move[first:].min())
    last = int(np.flatnonzero(move <= lowest + LEVEL_STEPS * step_k)[-1])
    near = np.abs(move[: last + 1] - move[last]) <= 2.0 * LEVEL_STEPS * step_k
    starts, _ = runs(near)
    return int(starts[-1]), last


def _rate(time_s: F64, moved: F64, change: float) -> float:
    """K/min between a tenth and nine tenths of the move; 0 when there is none."""
    if not change > 0:
        return 0.0
    begin = int(np.argmax(moved >= 0.1 * change))
    end = int(np.argmax(moved >= 0.9 * change))
    length = max(float(time_s[end] - time_s[begin]), float(time_s[-1] - time_s[0]) / 20.0, 1.0)
    return 60.0 * 0.8 * change / length
