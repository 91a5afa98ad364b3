"""A capture cut into time windows, so that decoding all of it takes bounded memory."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

import numpy as np

from busplan.frames.columns import I64
from busplan.transport.messages import Messages

_SAMPLE = 4096
"""Times looked at for each run of rows when placing the borders."""


def window_borders(messages: Messages, runs: Sequence[I64], frames: int) -> list[int]:
    """Times that cut the frames of ``runs`` (each in time order) into windows of about ``frames``.

    A window reaches from one border up to, but not including, the next. The first border is the
    earliest time and the last lies beyond the latest; no borders when there are no frames.
    """
    runs = [r for r in runs if len(r)]
    if not runs:
        return []
    times, weights = [], []
    for rows in runs:
        step = max(1, len(rows) // _SAMPLE)
        times.append(messages.times(rows[::step]))
        weights.append(np.full(len(times[-1]), step))
    time = np.concatenate(times)
    order = np.argsort(time, kind="stable")
    time, before = time[order], np.cumsum(np.concatenate(weights)[order])
    wanted = np.arange(frames, int(before[-1]), frames)
    inner = np.unique(time[np.searchsorted(before, wanted)])
    first = min(messages.time_of(int(r[0])) for r in runs)
    last = max(messages.time_of(int(r[-1])) for r in runs)
    return [first, *(int(t) for t in inner if first < t <= last), last + 1]


def rows_within(messages: Messages, rows: I64, begin_ns: int, end_ns: int) -> I64:
    """The part of ``rows`` (in time order) with ``begin_ns <= time < end_ns``."""

    def time_of(row: np.int64) -> int:
        return messages.time_of(int(row))

    low = bisect_left(rows, begin_ns, key=time_of)
    return rows[low : bisect_left(rows, end_ns, low, key=time_of)]
