"""Round numbers on axes: values and times, and how they are written."""

from __future__ import annotations

import math
from itertools import count

TIME_STEPS_S = (
    *(0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400),
    *(21600, 43200, 86400),
)
"""Distances of two times on an axis [s]."""
LEAST_APART = 10
"""Columns from one time to the next at least."""


def nice_step(least: float) -> float:
    """The smallest of 1, 2, 5, 10, 20 ... (and their tenths) that is not below ``least``."""
    if not (least > 0 and math.isfinite(least)):
        return 1.0
    power = math.floor(math.log10(least))
    for exponent in count(power):
        for digit in (1, 2, 5):
            step = digit * 10.0**exponent
            if step >= least * (1 - 1e-9):
                return step
    raise AssertionError


def value_ticks(low: float, high: float, most: int) -> tuple[list[float], int]:
    """Round values from ``low`` to ``high``, at most ``most`` of them, and their decimals."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low or most < 1:
        return [], 0
    least = (high - low) / max(most, 1)
    step = nice_step(least)
    while math.floor(high / step + 1e-9) - math.ceil(low / step - 1e-9) + 1 > most:
        step = nice_step(step * 1.5)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    decimals = max(-math.floor(math.log10(step) + 1e-9), 0)
    return [n * step for n in range(first, last + 1)], min(decimals, 9)


def round_scale(low: float, high: float, least: float = 0.0) -> tuple[float, float]:
    """A scale with round ends that holds both and is at least ``least`` wide."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1.0
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
    if high <= low:
        low, high = low - 0.5, high + 0.5
    step = nice_step((high - low) / 10)
    return math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step


def time_step_ns(column_ns: float) -> int:
    """The distance of two times on an axis whose columns are so long [ns]."""
    least = column_ns * LEAST_APART / 1e9
    step = next((s for s in TIME_STEPS_S if s >= least), None)
    return round((step or math.ceil(least / 86400) * 86400) * 1e9)


def time_text(t_ns: int, step_ns: int) -> str:
    """A moment on an axis, ``4:05``, ``1:04:05`` from an hour on, with tenths where needed."""
    tenths = round(t_ns / 1e8)
    seconds, tenth = divmod(tenths, 10)
    minutes, second = divmod(seconds, 60)
    hours, minute = divmod(minutes, 60)
    text = f"{hours}:{minute:02}:{second:02}" if hours else f"{minute}:{second:02}"
    return f"{text}.{tenth}" if step_ns % 1_000_000_000 else text
