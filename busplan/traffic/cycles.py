"""Measured cycle times: how regularly the frames of one identifier come."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable
from busplan.traffic.clock_steps import rows_of_one_clock


@dataclass(frozen=True, slots=True)
class MeasuredCycle:
    """Distances between consecutive frames of one identifier [ns].

    ``jitter_ns`` is the 99th percentile of how far a distance lies from the median, so that one
    lost frame does not set it; ``longest_at_ns`` is the time of the frame before the longest gap.
    """

    frames: int
    median_ns: int
    jitter_ns: int
    shortest_ns: int
    longest_ns: int
    longest_at_ns: int


def measured_cycle(time_ns: I64) -> MeasuredCycle | None:
    """Cycle figures of frames at the times ``(n,)``, in time order; ``None`` below two frames."""
    if len(time_ns) < 2:
        return None
    gaps = np.diff(time_ns)
    median = float(np.median(gaps))
    longest = int(gaps.argmax())
    return MeasuredCycle(
        len(time_ns),
        round(median),
        round(float(np.percentile(np.abs(gaps - median), 99))),
        int(gaps.min()),
        int(gaps[longest]),
        int(time_ns[longest]),
    )


def measured_cycles(table: FrameTable) -> dict[FrameKey, MeasuredCycle]:
    """Cycle figures of every identifier that came at least twice; stale time stamps left out."""
    first, last = table.believable
    found = {}
    for key, rows in table.groups.items():
        times = table.time_ns[rows_of_one_clock(table, rows)]
        low, high = np.searchsorted(times, (first, last + 1))
        cycle = measured_cycle(times[low:high])
        if cycle is not None:
            found[key] = cycle
    return found
