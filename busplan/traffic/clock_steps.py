"""Where the clock of a recording was set back, so that its times hold for parts only.

By their times the frames before and after lie among each other: counters skip and rhythms break by
the clock's doing and not the sender's. Frames that were only written late lie where nothing else of
their message does, and are no step of a clock. Common practice, no source.
"""

from __future__ import annotations

import numpy as np

from busplan.capture.trust import JITTER_NS
from busplan.frames.columns import I64
from busplan.frames.table import FrameTable

ALIKE = 3
"""Frames of one message that come by turns from before and after more often than this show it."""
MOST_STEPS = 100
"""Only so many steps back, the largest, are looked at: each costs a look at all frames."""


def steps_of_clock(time_ns: I64, identifier: I64) -> I64:
    """Rows before which the clock was set back, of frames (n,) in the order they were written."""
    found = []
    begin = 0
    by = np.diff(time_ns)
    back = np.flatnonzero(by < -JITTER_NS)
    largest = np.argsort(by[back], kind="stable")[:MOST_STEPS]
    for row in (np.sort(back[largest]) + 1).tolist():
        before, after = slice(begin, row), slice(row, None)
        reached = int(time_ns[before].max())
        if time_ns[after].max() < time_ns[before].min() or _among_each_other(
            *(
                (time_ns[part][chosen], identifier[part][chosen])
                for part, chosen in (
                    (before, time_ns[before] >= time_ns[row]),
                    (after, time_ns[after] <= reached),
                )
            )
        ):
            found.append(row)
            begin = row
    return np.array(found, np.int64)


def _among_each_other(one: tuple[I64, I64], other: tuple[I64, I64]) -> bool:
    """Whether frames of one identifier come by turns from two parts, each (times, identifiers)."""
    names, counts = np.unique(np.concatenate([one[1], other[1]]), return_counts=True)
    name = names[counts.argmax()]
    mine, others = (times[names == name] for times, names in (one, other))
    part = np.repeat([0, 1], [len(mine), len(others)])
    part = part[np.argsort(np.concatenate([mine, others]), kind="stable")]
    return bool((np.diff(part) != 0).sum() > ALIKE)


def rows_of_one_clock(table: FrameTable, rows: I64) -> I64:
    """Of an identifier's rows, in time order, those of the longest part with one clock."""
    if len(rows) < 2 * ALIKE or not (np.diff(rows) < 0).any():
        return rows
    written = np.sort(rows)
    times = table.time_ns[written]
    steps = steps_of_clock(times, np.zeros(len(times), np.int64))
    if not len(steps):
        return rows
    part: I64 = max(np.split(written, steps), key=len)
    return part[np.argsort(table.time_ns[part], kind="stable")]
