"""The pack's signals over time, as arrays, and how they come onto one grid.

The rules of this file: times are seconds from the first frame of the capture; volts, amperes,
degrees Celsius and ohms; what was not received is NaN, never a held value that has gone stale.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from busplan.definitions.model import NO_CHOICES
from busplan.findings import Finding
from busplan.frames.columns import F64, I64, Mask
from busplan.frames.table import FrameTable
from busplan.traffic.silence import allowed_of

MAX_ROWS = 36_000
"""Most rows of a grid; longer captures are sampled more coarsely."""


NOTHING = np.empty(0)
NO_PAUSES = np.empty((0, 2))


@dataclass(frozen=True, eq=False)
class Heard:
    """The frames of a message: their times [s], and how long it may be without one [s]."""

    time_s: F64
    allowed_s: float


@dataclass(frozen=True, eq=False)
class Trace:
    """One signal as received: ``time_s`` ascending, ``value`` of the same shape ``(n,)``.

    ``step`` is what one bit is worth; ``lowest`` and ``highest`` are the ends of what the signal
    can carry, ``None`` when it is not known; ``choices`` names raw values. ``ended_s`` are the
    times at which a code such as "not available" came: from then on the value before it no longer
    holds. ``allowed_s`` is the age at which it is old, ``None`` for that of its own rhythm.
    ``message`` is what was heard of its message, whatever the frames carried.
    """

    time_s: F64
    value: F64
    step: float = 0.0
    lowest: float | None = None
    highest: float | None = None
    choices: Mapping[int, str] = field(default_factory=lambda: NO_CHOICES)
    ended_s: F64 = field(default_factory=lambda: NOTHING)
    allowed_s: float | None = None
    message: Heard | None = None

    def __len__(self) -> int:
        return len(self.time_s)

    @cached_property
    def period_s(self) -> float:
        """Median distance of two values [s]; NaN below two values."""
        return float(np.median(np.diff(self.time_s))) if len(self) > 1 else float("nan")

    @cached_property
    def stale_s(self) -> float:
        """Age [s] at which its last value no longer counts."""
        if self.allowed_s is not None:
            return self.allowed_s
        return allowed_of(None, np.asarray(self.time_s * 1e9, np.int64)) / 1e9

    @property
    def heard(self) -> Heard:
        """The frames of its message; its own values where no others are known."""
        return self.message or Heard(self.time_s, self.stale_s)

    def ended(self, row: I64, time_s: F64) -> Mask:
        """Whether a code came after the values at ``row`` (n,), up to ``time_s`` (n,)."""
        codes = np.searchsorted(self.ended_s, time_s, side="right") - 1
        last = np.where(codes >= 0, self.ended_s[codes], -np.inf) if len(self.ended_s) else -np.inf
        return np.asarray(last > self.time_s[row], np.bool_)

    def at(self, time_s: F64) -> F64:
        """Linear between values, NaN before the first, after the last and in stale gaps."""
        if not len(self):
            return np.full(len(time_s), np.nan)
        value = np.interp(time_s, self.time_s, self.value, left=np.nan, right=np.nan)
        after = np.clip(np.searchsorted(self.time_s, time_s), 1, max(len(self) - 1, 1))
        if len(self) > 1:
            before, end = self.time_s[after - 1], self.time_s[after]
            value[(end - before > self.stale_s) | self.ended(after - 1, end)] = np.nan
        return np.asarray(value, np.float64)


EMPTY = Trace(np.empty(0), np.empty(0))
"""A signal that was never received."""


FEWEST = 3
"""Values that a signal must have sent at least; one frame shows no course of anything."""


def share(trace: Trace | None, span_s: float) -> float:
    """Part of a span from 0 to ``span_s`` [s] in which a fresh value was known."""
    if trace is None or len(trace) < FEWEST or span_s <= 0:
        return 0.0
    time = trace.time_s
    until = np.append(time[1:], max(span_s, float(time[-1])))
    if len(trace.ended_s):
        after = np.searchsorted(trace.ended_s, time, side="right")
        codes = np.append(trace.ended_s, np.inf)
        until = np.minimum(until, codes[after])
    held = np.minimum(until - time, trace.stale_s)
    # What comes before its first turn is not missing.
    held_s = float(held.sum()) + min(float(time[0]), trace.stale_s)
    return min(held_s / span_s, 1.0)


@dataclass(frozen=True, eq=False)
class Sampled:
    """Signals on one grid: ``time_s`` (n,), ``value`` (n, m), NaN where nothing fresh is known."""

    time_s: F64
    value: F64


def sample(traces: Sequence[Trace], time_s: F64) -> Sampled:
    """The last value of each trace at each time of the grid, NaN when it is stale."""
    value = np.full((len(time_s), len(traces)), np.nan)
    for column, trace in enumerate(traces):
        if not len(trace):
            continue
        last = np.searchsorted(trace.time_s, time_s, side="right") - 1
        rows = np.flatnonzero(last >= 0)
        last = last[rows]
        fresh = time_s[rows] - trace.time_s[last] <= trace.stale_s
        if len(trace.ended_s):
            fresh &= ~trace.ended(last, time_s[rows])
        value[rows[fresh], column] = trace.value[last[fresh]]
    return Sampled(time_s, value)


def grid_of(traces: Sequence[Trace]) -> F64:
    """A uniform grid over all traces at their median period, at most ``MAX_ROWS`` rows."""
    heard = [t for t in traces if len(t) > 1]
    if not heard:
        return np.empty(0)
    start = min(float(t.time_s[0]) for t in heard)
    stop = max(float(t.time_s[-1]) for t in heard)
    step = max(float(np.median([t.period_s for t in heard])), (stop - start) / MAX_ROWS, 1e-3)
    # The grid starts one step in, so that every monitor has had its first turn.
    return np.arange(start + step, stop + step / 2, step)


@dataclass(frozen=True, eq=False)
class PackSeries:
    """All the pack's signals of one capture.

    ``cells`` [V] and ``sensors`` [°C] follow the order of the layout; ``quantities`` use the names
    of :class:`busplan.plan.vehicle.PackLayout`, current positive when it discharges [A].
    ``span_s`` is the length of the capture. ``findings`` holds what had to be tolerated, ``pauses``
    (k, 2) from when to when [s] nobody sent anything, on no network. Where the clock of the capture
    was set back, ``one_clock`` says which part of it this is, whose first frame comes ``begin_s``
    after the capture's. ``stopped`` (j, 2) are pauses in which several nodes were silent and nobody
    else sent (:mod:`busplan.traffic.stopped`), which are no silence of a node; ``paused`` tells of
    them, and which part was judged; ``others`` are the parts that were not.
    """

    cells: tuple[Trace, ...]
    sensors: tuple[Trace, ...]
    quantities: Mapping[str, Trace]
    span_s: float
    findings: tuple[Finding, ...] = ()
    pauses: F64 = field(default_factory=lambda: NO_PAUSES)
    begin_s: float = 0.0
    one_clock: str = ""
    stopped: F64 = field(default_factory=lambda: NO_PAUSES)
    paused: str = ""
    others: tuple[FrameTable, ...] = ()

    @cached_property
    def voltage(self) -> Sampled:
        """All cells on one grid [V]."""
        return sample(self.cells, grid_of(self.cells))

    @cached_property
    def temperature(self) -> Sampled:
        """All sensors on one grid [°C]."""
        return sample(self.sensors, grid_of(self.sensors))

    def quantity(self, name: str) -> Trace | None:
        """The trace of a quantity when it is mapped and was received, else ``None``."""
        trace = self.quantities.get(name)
        return trace if trace is not None and len(trace) else None

    def without(self, name: str) -> PackSeries:
        """The same without a quantity that is not believed."""
        return replace(self, quantities={q: t for q, t in self.quantities.items() if q != name})

    def quantity_at(self, name: str, time_s: F64) -> F64 | None:
        """A quantity on a grid, linear between its values; ``None`` when there is none."""
        trace = self.quantity(name)
        return None if trace is None else trace.at(time_s)
