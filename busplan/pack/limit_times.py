"""How long each mode lasted, and whether every cell and sensor kept its window in it.

A window is shown to be kept in a mode only if the pack was in it for ``LEAST_MODE_S`` and every
channel was heard for ``HEARD_SHARE`` of that (common practice, no source). Where the current is not
known nobody knows which window of temperatures held; cell voltages have one window, always.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from busplan.answers import Answer
from busplan.frames.columns import Mask
from busplan.pack.labels import clock
from busplan.pack.limits import Excess, by_mode
from busplan.pack.series import PackSeries, Sampled
from busplan.pack.statistics import time_where
from busplan.pack.windows import Mode, temperature_window, voltage_window
from busplan.plan.vehicle import PackLayout
from busplan.tables import unit
from busplan.wording import listing

LEAST_MODE_S = 10.0
HEARD_SHARE = 0.95


@dataclass(frozen=True, slots=True)
class LimitTime:
    """One kind of channel in one mode: its window, the time in the mode, and the time beyond.

    ``what`` is ``cells`` [V] or ``temperatures`` [°C]; ``beyond_s`` is the longest that any one
    channel was beyond its window in this mode, touches not counted.
    """

    what: str
    mode: Mode
    answer: Answer
    low: float
    high: float
    lasted_s: float = field(metadata=unit("s"))
    beyond_s: float = field(metadata=unit("s"))


def limit_times(
    series: PackSeries,
    layout: PackLayout,
    excesses: Sequence[Excess],
    faulty: frozenset[tuple[str, int]],
) -> tuple[LimitTime, ...]:
    """Every mode for cells and for temperatures, those that never came too (not shown)."""
    found = []
    for kind, what, sampled in (
        ("cell", "cells", series.voltage),
        ("sensor", "temperatures", series.temperature),
    ):
        if not sampled.value.shape[1]:
            continue
        good = [i for i in range(sampled.value.shape[1]) if (kind, i) not in faulty]
        whole = len(good) == sampled.value.shape[1]
        for mode, rows in by_mode(series, sampled.time_s).items():
            if kind == "cell":
                low, high = voltage_window(layout.limits)
            else:
                low, high = temperature_window(layout.limits, mode)
            lasted = time_where(sampled.time_s, rows)
            over = [e for e in excesses if e.kind == kind and e.lasted]
            beyond_s = max((dict(e.by_mode).get(mode, 0.0) for e in over), default=0.0)
            answer = Answer.NOT_SHOWN
            if beyond_s > 0.0:
                answer = Answer.BAD
            elif lasted >= LEAST_MODE_S and whole and _heard(sampled, rows):
                known = kind == "cell" or mode is not Mode.UNKNOWN
                answer = Answer.GOOD if known else Answer.NOT_SHOWN
            found.append(LimitTime(what, mode, answer, low, high, lasted, beyond_s))
    return tuple(found)


def _heard(sampled: Sampled, rows: Mask) -> bool:
    """Whether every channel had a fresh value for most of these rows (n,)."""
    shares = np.isfinite(sampled.value[rows]).mean(axis=0)
    return bool((shares >= HEARD_SHARE).all())


def modes_text(times: Sequence[LimitTime]) -> str:
    """How long each mode lasted: ``6:10 while discharging and 3:20 at rest``, where it is known."""
    longest: dict[Mode, float] = {}
    for row in times:
        longest[row.mode] = max(longest.get(row.mode, 0.0), row.lasted_s)
    parts = [
        f"{clock(seconds)}{mode.words}"
        for mode, seconds in longest.items()
        if seconds >= 1.0 and mode.words
    ]
    return listing(parts)
