"""How late each monitor's frame tells its voltages, against the current's own message.

A frame received at t tells the voltages of t − d. A few frames are fitted in full at every delay
tried; with the response of the cells that comes of it, each frame's delay is where its median
cell follows best, level and drift over ``WINDOW_S`` taken out. What is common to all frames is
known no better than the quickest relaxation of the cells allows; a delay found below zero means
that the current comes late.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from busplan.frames.columns import F64, I64, Mask
from busplan.pack.resistance_drive import LAGS_S, WANTED_BLOCKS, Drive
from busplan.pack.resistance_fit import non_negative
from busplan.pack.statistics import nan_median

EARLIEST_S, LATEST_S = -0.3, 1.3
COARSE_S, FINE_S = 0.1, 0.02
WINDOW_S = 6.0
MOST_ROWS = 6000
LEADERS = 3
KNEE_GAIN = 0.03
"""A knee must leave so much less than none does."""


@dataclass(frozen=True, eq=False)
class Frame:
    """Cells (``columns`` of the layout) that share the times ``time_s`` (n,): ``volts`` (n, m)."""

    columns: tuple[int, ...]
    time_s: F64
    volts: F64


@dataclass(frozen=True, eq=False)
class Delays:
    """The delay of each frame [s], NaN where it was not found, and the knee that was chosen."""

    delay_s: F64
    knee: int | None


def find_delays(frames: Sequence[Frame], drive: Drive) -> Delays:
    """Delay of each frame, and which knee of ``drive`` the cells have."""
    from busplan.pack.resistance_kernels import block_moments

    leaders = sorted(range(len(frames)), key=lambda f: -len(frames[f].time_s))[: 4 * LEADERS]
    leaders = sorted(leaders)[:: max(len(leaders) // LEADERS, 1)][:LEADERS]
    bare = drive.with_knee(None)

    def sums(of: Drive, index: int, delay: float) -> F64:
        frame = frames[index]
        inside, block, group = _lively(of, frame.time_s)
        volts = np.median(frame.volts[inside], axis=1)[:, None]
        total = block_moments(
            frame.time_s[inside],
            volts,
            group,
            block,
            of.table,
            of.start,
            of.step,
            delay,
            of.groups,
        )
        return np.asarray(total.sum(axis=0), np.float64)

    def best_for(of: Drive, index: int) -> float:
        return _best(lambda delay: left_over(sums(of, index, delay)))

    first = [best_for(bare, f) for f in leaders]
    pooled = sum((sums(drive, f, d) for f, d in zip(leaders, first, strict=True)))
    knee = _knee(np.asarray(pooled, np.float64), drive)
    chosen = drive.with_knee(knee)
    if knee is not None:
        first = [best_for(chosen, f) for f in leaders]
    pooled = sum((sums(chosen, f, d) for f, d in zip(leaders, first, strict=True)))
    coefficients = _solve(np.asarray(pooled, np.float64))
    response = np.ascontiguousarray(chosen.table[:, :-1] @ coefficients)
    delays = np.array([_frame_delay(frame, chosen, response) for frame in frames])
    if drive.groups < WANTED_BLOCKS:
        # In a short drive the response still bears its unknown beginning: it tells how frames
        # differ, the full fit what they share.
        apart = nan_median(np.array(first) - delays[leaders])
        delays = delays + (0.0 if np.isnan(apart) else float(apart))
    return Delays(delays, knee)


def left_over(total: F64) -> float:
    """Square sum that non-negative coefficients leave of a single cell's sums."""
    solution = _solve(total)
    k = len(solution)
    return float(total[k, k] - 2 * total[:k, k] @ solution + solution @ total[:k, :k] @ solution)


def _solve(total: F64) -> F64:
    k = len(total) - 2
    return non_negative(total[:k, :k], total[:k, k])


def _best(cost: Callable[[float], float]) -> float:
    """The delay of least cost: coarse steps, then fine ones round the best, then a parabola."""
    coarse = np.arange(EARLIEST_S, LATEST_S + COARSE_S / 2, COARSE_S)
    middle = coarse[int(np.argmin([cost(d) for d in coarse]))]
    fine = middle + FINE_S * np.arange(-5, 6)
    return _vertex(fine, -np.array([cost(d) for d in fine]))


def _vertex(at: F64, height: F64) -> float:
    """Where a parabola through the highest point and its neighbours is highest."""
    top = int(np.clip(np.argmax(height), 1, len(at) - 2))
    left, here, right = height[top - 1 : top + 2]
    bend = left - 2 * here + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(at[top] + np.clip(shift, -1.0, 1.0) * (at[1] - at[0]))


def _knee(pooled: F64, drive: Drive) -> int | None:
    """The knee that leaves least, if it leaves clearly less than none."""
    lags = [1 + len(drive.knees_a) + j for j in range(len(LAGS_S))]
    tail = [len(pooled) - 2, len(pooled) - 1]

    def cost(extra: list[int]) -> float:
        kept = [0, *extra, *lags, *tail]
        return left_over(pooled[np.ix_(kept, kept)])

    without = cost([])
    each = [cost([1 + k]) for k in range(len(drive.knees_a))]
    best = int(np.argmin(each))
    return best if each[best] < (1.0 - KNEE_GAIN) * without else None


def _lively(drive: Drive, time_s: F64) -> tuple[Mask, I64, I64]:
    """Rows of whole live blocks spread over the drive, at most ``MOST_ROWS``; block and group."""
    inside, block, group = drive.rows(time_s)
    count = len(block)
    if count > MOST_ROWS:
        blocks = len(drive.live)
        wanted = max(int(blocks * MOST_ROWS / count), min(blocks, 8))
        use = np.zeros(blocks, np.bool_)
        use[np.linspace(0, blocks - 1, wanted).astype(int)] = True
        kept = use[block]
        rows = np.flatnonzero(inside)[kept]
        inside = np.zeros(len(time_s), np.bool_)
        inside[rows] = True
        block, group = block[kept], group[kept]
    return inside, block, group


def _frame_delay(frame: Frame, drive: Drive, response: F64) -> float:
    from busplan.pack.resistance_kernels import delay_fits

    inside, _, _ = _lively(drive, frame.time_s)
    time = frame.time_s[inside]
    if len(time) < 50:
        return float("nan")
    fall = -np.median(frame.volts[inside], axis=1)
    period = float(np.median(np.diff(time)))
    window = np.floor((time - time[0]) / max(WINDOW_S, 8.0 * period)).astype(np.int64)

    def fits(delays: F64) -> F64:
        return delay_fits(time, fall, window, response, drive.start, drive.step, delays)

    coarse = np.arange(EARLIEST_S, LATEST_S + COARSE_S / 2, COARSE_S)
    middle = coarse[int(np.argmax(fits(coarse)))]
    fine = middle + FINE_S * np.arange(-5, 6)
    height = fits(fine)
    return _vertex(fine, height) if height.max() > 0 else float("nan")
