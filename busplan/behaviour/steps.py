"""Step functions of time whose values are intervals, and what can be done with them.

The rules of this file: times are integer nanoseconds, the first is :data:`START`; a step holds from
its time until the next one; an unknown value is the interval from minus to plus infinity. All
windows are closed at both ends, and results hold from their time on, as their inputs do.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import F64, I64, different

START = -(1 << 61)
"""Before every time of a capture, so that windows may look back."""


@dataclass(frozen=True, eq=False)
class Steps:
    """``time`` (n,) ascending [ns]; ``low`` and ``high`` (n,) from each time on."""

    time: I64
    low: F64
    high: F64

    def __len__(self) -> int:
        return len(self.time)

    @staticmethod
    def constant(value: float) -> Steps:
        """The same at all times."""
        one = np.array([value])
        return Steps(np.array([START]), one, one)

    @cached_property
    def truth(self) -> npt.NDArray[np.int8]:
        """1 where it is at or above 0 for certain, -1 where it is below, 0 where unknown; (n,)."""
        return (self.low >= 0).astype(np.int8) - (self.high < 0).astype(np.int8)

    @cached_property
    def runs(self) -> tuple[I64, npt.NDArray[np.int8]]:
        """Times at which the truth changes, and what it is from then on."""
        keep = np.ones(len(self), np.bool_)
        keep[1:] = self.truth[1:] != self.truth[:-1]
        return self.time[keep], self.truth[keep]

    def at(self, time: I64) -> tuple[F64, F64]:
        """The interval at each of some times (k,)."""
        row = np.searchsorted(self.time, time, side="right") - 1
        return self.low[row], self.high[row]

    def truth_at(self, time: I64) -> npt.NDArray[np.int8]:
        """The truth at each of some times (k,)."""
        times, truth = self.runs
        return truth[np.searchsorted(times, time, side="right") - 1]

    def over(self, begin: I64, end: I64, *, largest: bool) -> tuple[F64, F64]:
        """Least or largest in windows ``begin <= t <= end``, both ascending (k,)."""
        from busplan.behaviour.step_kernels import extremes

        low = extremes(self.time, self.low, begin, end, largest)
        high = low if self.low is self.high else extremes(self.time, self.high, begin, end, largest)
        return low, high

    def sliding(self, first: int, last: int, *, largest: bool) -> Steps:
        """At every ``t`` the least or largest over ``[t + first, t + last]`` [ns]."""
        if first == last == 0:
            return self
        changes = self.time[1:]
        begin = np.concatenate([changes - last, changes - first])
        begin = np.concatenate([self.time[:1], different(begin)])
        low, high = self.over(begin + first, begin + last, largest=largest)
        return _lean(begin, low, high if high is not low else low.copy())

    def shifted(self, by: float) -> Steps:
        """With ``by`` added."""
        return Steps(self.time, self.low + by, self.high + by)

    def turned(self) -> Steps:
        """With its sign turned."""
        return Steps(self.time, -self.high, -self.low)


def _lean(time: I64, low: F64, high: F64) -> Steps:
    from busplan.behaviour.step_kernels import without_repeats

    n = without_repeats(time, low, high)
    return Steps(time[:n], low[:n], high[:n])


def least(a: Steps, b: Steps) -> Steps:
    """The lesser of two at every time: both hold."""
    return _combined(a, b, 0)


def most(a: Steps, b: Steps) -> Steps:
    """The greater of two at every time: at least one holds."""
    return _combined(a, b, 1)


def minus(a: Steps, b: Steps) -> Steps:
    """The difference of two at every time."""
    return _combined(a, b, 2)


def _combined(a: Steps, b: Steps, operation: int) -> Steps:
    from busplan.behaviour.step_kernels import combine

    time, low, high, n = combine(a.time, a.low, a.high, b.time, b.low, b.high, operation)
    return Steps(time[:n], low[:n], high[:n])


def from_masks(time: I64, holds: npt.NDArray[np.bool_], known: npt.NDArray[np.bool_]) -> Steps:
    """A claim without a margin: plus infinity where it holds, minus where not; shapes (n,)."""
    low = np.where(holds & known, np.inf, -np.inf)
    high = np.where(~holds & known, -np.inf, np.inf)
    return _lean(time.copy(), low, high)


__all__ = ["START", "Steps", "from_masks", "least", "minus", "most"]
