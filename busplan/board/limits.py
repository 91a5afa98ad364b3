"""Limits of signals: where they come from, when they hold, and what a value is against them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from busplan.board.latch import BACK, BEYOND
from busplan.findings import Weight
from busplan.frames.columns import F64, I8, I64
from busplan.pack.windows import TOUCHING
from busplan.pack.windows import beyond as beyond_limit
from busplan.replay.track import Track

FOR_NS = {Weight.CAUTION: 2_000_000_000, Weight.FAULT: 300_000_000}
"""How long a value must be beyond a limit, where nobody states it; common practice, no source."""
CLEAR_NS = 5_000_000_000
"""How long it must be back; common practice, no source."""
FRAMES = 3
"""A fault needs so many frames at least."""
BACK_STEPS, BACK_PART = 3, 0.01
"""It is back by so many steps of the signal, or this part of its range, the larger."""

Comparison = Literal["is", "above", "below"]


@dataclass(frozen=True, slots=True)
class Condition:
    """A limit holds only while a signal ``is`` a state or number, or is ``above`` or ``below``."""

    subject: str
    comparison: Comparison
    wanted: str

    def __str__(self) -> str:
        return f"{self.subject} {self.comparison} {self.wanted}"

    def holds(self, track: Track, value: F64) -> I8:
        """1 where it holds, −1 where it does not, 0 where that is not known; shape kept."""
        known = ~np.isnan(value)
        if self.comparison == "is":
            good = _equal(track, value, self.wanted)
        elif self.comparison == "above":
            good = value > float(self.wanted)
        else:
            good = value < float(self.wanted)
        return np.where(known, np.where(good, 1, -1), 0).astype(np.int8)


def _equal(track: Track, value: F64, wanted: str) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    raws = [raw for raw, name in track.choices.items() if name.casefold() == wanted.casefold()]
    scale, offset = track.scale
    numbers = [raw * scale + offset for raw in raws]
    if not raws:
        try:
            numbers = [float(wanted)]
        except ValueError:
            numbers = []
    good = np.zeros(len(value), np.bool_)
    for number in numbers:
        good |= np.abs(value - number) < abs(scale) / 2
    return good


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit of one subject (a signal's full name, or a quantity such as ``spread of cells``).

    ``above``: values above it are beyond, else those below. ``back_by``, ``for_ns`` and
    ``clear_ns`` are ``None`` where nobody states them. It holds while ``when`` has held for
    ``settle_ns``. ``of_plan``: it comes from the plan's pack or networks.
    """

    subject: str
    weight: Weight
    above: bool
    value: float
    back_by: float | None = None
    for_ns: int | None = None
    clear_ns: int | None = None
    when: Condition | None = None
    settle_ns: int = 0
    of_plan: bool = False
    unit: str = ""

    @property
    def text(self) -> str:
        """What is allowed, ``≤400`` or ``≥3.68``."""
        return f"{'≤' if self.above else '≥'}{self.value:.6g}"

    @property
    def beyond_text(self) -> str:
        """What is not, ``above 400 A``."""
        unit = f" {self.unit}" if self.unit else ""
        return f"{'above' if self.above else 'below'} {self.value:.6g}{unit}"

    def passed_by(self, value: float) -> bool:
        """Whether a value lies beyond it; NaN does not."""
        off = value - self.value if self.above else self.value - value
        return off > TOUCHING

    def lasting_ns(self, track: Track) -> int:
        """How long a value must be beyond it."""
        if self.for_ns is not None:
            return self.for_ns
        least = FOR_NS[self.weight]
        if self.weight == Weight.FAULT and len(track.time_ns) > 1 and np.isfinite(track.allowed_ns):
            period = track.allowed_ns / 2.5
            return max(least, round(FRAMES * period))
        return least

    def clearing_ns(self) -> int:
        """How long it must be back."""
        return CLEAR_NS if self.clear_ns is None else self.clear_ns

    def margin(self, track: Track) -> float:
        """By how much it must be back."""
        if self.back_by is not None:
            return self.back_by
        wide = 0.0
        if track.lowest is not None and track.highest is not None:
            # Definitions state ranges far wider than what a signal ever does.
            wide = min(BACK_PART * (track.highest - track.lowest), 2 * BACK_PART * abs(self.value))
        return max(BACK_STEPS * track.step, wide)

    def states(self, track: Track, time_ns: I64, value: F64, condition: I8 | None = None) -> I8:
        """Of each value whether it is beyond, back or neither; see :mod:`busplan.board.latch`."""
        margin = self.margin(track)
        with np.errstate(invalid="ignore"):
            beyond = beyond_limit(value, self.value, above=self.above)
            below = value <= self.value - margin
            back = (below if self.above else value >= self.value + margin) & ~beyond
        state = np.where(beyond, BEYOND, np.where(back, BACK, 0)).astype(np.int8)
        if condition is not None:
            state = np.where(condition == 1, state, np.where(condition == -1, BACK, 0))
        return state.astype(np.int8)
