"""Do the cells move as under load? The witness where no current is known.

A pack without a known current may rest, drive or charge; to lose the current must make no answer
better. The middle cell tells: it leaps under a load that changes, and it runs away under one that
does not. What neither leaps nor runs away carries next to nothing, or too little to see.

All bounds: common practice, no source.
"""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import F64
from busplan.pack.series import Sampled
from busplan.pack.statistics import nan_median

LEAP_OVER_S = 2.0
LEAP_V = 0.02
LEAP_SHARE = 0.05
"""A middle cell that moves so far within ``LEAP_OVER_S``, this part of the time, is under load."""
DRIFT_V = 0.04
"""What settles after a load, or follows the temperature, moves less than this in half an hour."""
RUN_V = 0.15
"""A middle cell that has moved so far at the end was charged or discharged: it did not settle."""


def leaps(time_s: F64, value: F64) -> bool:
    """Whether the middle cell leaps as a changing current makes it; ``value`` (n, m) [V]."""
    if len(time_s) < 3:
        return False
    lag = max(round(LEAP_OVER_S / float(time_s[1] - time_s[0])), 1)
    middle = nan_median(value, axis=1)
    moved = np.abs(middle[lag:] - middle[:-lag])
    moved = moved[np.isfinite(moved)]  # what is missing is no sign of rest
    return float((moved > LEAP_V).mean()) > LEAP_SHARE if len(moved) else False


def runs_by(cells: Sampled) -> float:
    """How far the middle cell is at the end from where it began [V]; 0 when that is not known."""
    middle = nan_median(cells.value, axis=1)
    known = middle[np.isfinite(middle)]
    part = max(len(known) // 20, 1)
    if len(known) < 2:
        return 0.0
    return float(np.median(known[-part:]) - np.median(known[:part]))


def carried_load(cells: Sampled, start_s: float, stop_s: float) -> bool:
    """Whether the cells moved between two times so that a current must have flowed."""
    inside = (cells.time_s >= start_s) & (cells.time_s <= stop_s)
    time, value = cells.time_s[inside], cells.value[inside]
    if leaps(time, value):
        return True
    middle = nan_median(value, axis=1)
    known = middle[np.isfinite(middle)]
    return len(known) > 1 and float(np.ptp(known)) >= DRIFT_V
