"""Signals over the whole capture: every value, and lowest to highest of each column of a drawing.

The rules of this file: no value is ever left out of a drawing. A column shows lowest to highest of
all values that came in it, joined with the one that held at its beginning; it is empty only where
nothing came and nothing held. A value holds until the next one, and no longer than its message may
be silent. A code such as "not available" is no value and ends the one before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

import numpy as np

from busplan.decode.codec import decode_message
from busplan.definitions.model import NO_CHOICES
from busplan.frames.columns import F64, I64
from busplan.plan.vehicle import SignalAddress
from busplan.replay.pack_values import Source, by_line
from busplan.replay.pyramid import Pyramid
from busplan.replay.replay import Replay
from busplan.replay.values import decimals_of_step


@dataclass(frozen=True, slots=True)
class Columns:
    """Equal columns of time: column ``i`` is ``[start + i step, start + (i + 1) step)`` [ns].

    Starts are whole steps of absolute time, so that a drawing that moves on moves by whole columns.
    """

    start_ns: int
    step_ns: int
    count: int

    @staticmethod
    def over(a_ns: int, b_ns: int, count: int, origin_ns: int = 0) -> Columns:
        """``count`` columns that hold ``a_ns`` to ``b_ns``, which count from ``origin_ns``."""
        count = max(count, 2)
        step = max(-(-(b_ns - a_ns) // (count - 1)), 1)
        start = (a_ns + origin_ns) // step * step - origin_ns
        return Columns(start, step, count)

    @property
    def edges(self) -> I64:
        """Beginnings of all columns and the end of the last; ``(count + 1,)``."""
        return self.start_ns + self.step_ns * np.arange(self.count + 1, dtype=np.int64)

    @property
    def stop_ns(self) -> int:
        """The end of the last one."""
        return self.start_ns + self.step_ns * self.count

    def part(self, first: int, last: int) -> Columns:
        """The columns ``[first, last)`` of them."""
        return Columns(self.start_ns + first * self.step_ns, self.step_ns, last - first)

    def column(self, t_ns: int) -> int:
        """The column of a moment; outside the range when it lies outside."""
        return int((t_ns - self.start_ns) // self.step_ns)


class Held(NamedTuple):
    """What a signal said last: NaN before the first value and after a code; and how old it is."""

    value: float
    age_ns: int
    stale: bool

    @property
    def fresh(self) -> bool:
        """Whether there is a value and it still counts."""
        return not self.stale and self.value == self.value


NEVER_HELD = Held(float("nan"), -1, True)


@dataclass(frozen=True, eq=False)
class Track:
    """All that came of one signal: ``time_ns`` ascending and ``value`` of one shape ``(n,)``.

    Times count from the capture's first frame; a value is NaN where a code came. ``allowed_ns`` is
    the age from which a value no longer counts. ``lowest`` and ``highest`` are what the definition
    states, ``None`` when it does not.
    """

    name: str
    unit: str
    time_ns: I64
    value: F64
    allowed_ns: float
    decimals: int = 0
    step: float = 0.0
    lowest: float | None = None
    highest: float | None = None
    choices: Mapping[int, str] = field(default_factory=lambda: NO_CHOICES)
    scale: tuple[float, float] = (1.0, 0.0)
    """What one step of the raw value is worth, and what raw 0 stands for."""

    @cached_property
    def pyramid(self) -> Pyramid:
        """Lowest and highest of stretches."""
        return Pyramid(self.value)

    @cached_property
    def range(self) -> tuple[float, float]:
        """Lowest and highest of all; NaN without any value."""
        low, high = self.pyramid.extremes(np.zeros(1, np.int64), np.array([len(self.value)]))
        return float(low[0]), float(high[0])

    def at(self, t_ns: int) -> Held:
        """The last word at or before a moment."""
        i = int(np.searchsorted(self.time_ns, t_ns, "right")) - 1
        if i < 0:
            return NEVER_HELD
        age = t_ns - int(self.time_ns[i])
        return Held(float(self.value[i]), age, age > self.allowed_ns)

    def held(self, at_ns: I64) -> F64:
        """The value that holds at each of many moments; NaN where none does."""
        if not len(self.time_ns):
            return np.full(len(at_ns), np.nan)
        i = np.searchsorted(self.time_ns, at_ns, "right") - 1
        last = np.maximum(i, 0)
        good = (i >= 0) & (at_ns - self.time_ns[last] <= self.allowed_ns)
        return np.where(good, self.value[last], np.nan)

    def lowest_highest(self, columns: Columns, until_ns: int | None = None) -> tuple[F64, F64]:
        """Lowest and highest of each column; NaN where nothing came and nothing held.

        What came after ``until_ns`` is not looked at.
        """
        edges = columns.edges
        if until_ns is not None:
            later = int(np.searchsorted(edges, until_ns, "right"))
            edges[later:] = until_ns + 1
        at = np.searchsorted(self.time_ns, edges, "left")
        low, high = self.pyramid.extremes(at[:-1], at[1:])
        before = at[:-1] - 1
        if len(self.time_ns):
            last = np.maximum(before, 0)
            good = (before >= 0) & (edges[:-1] - self.time_ns[last] <= self.allowed_ns)
            start = np.where(good, self.value[last], np.nan)
            low, high = np.fmin(low, start), np.fmax(high, start)
        if until_ns is not None:
            low[later:], high[later:] = np.nan, np.nan
        return low, high

    def text(self, value: float) -> str:
        """A value as users read it: its name if it has one, else the number."""
        if value != value:
            return "--"
        name = self.named(value)
        return name if name else f"{value:z.{self.decimals}f}"

    def named(self, value: float) -> str:
        """The name of a value; empty when it has none."""
        if not self.choices or not np.isfinite(value):
            return ""
        return self.choices.get(round((value - self.scale[1]) / self.scale[0]), "")


def tracks(replay: Replay, addresses: Sequence[SignalAddress]) -> list[Track | None]:
    """The whole capture's values of signals, in their order; ``None`` when nobody sends them.

    The pack's signals are read as the pack reads them, others in their own unit, without what lies
    outside the stated range. Each is decoded once and kept with the capture.
    """
    kept: dict[SignalAddress, Track | None] = replay.lines.tracks
    missing = [a for a in dict.fromkeys(addresses) if a not in kept]
    sources = [replay.read_from(address) for address in missing]
    read: dict[SignalAddress, Track | None] = dict.fromkeys(missing)
    for number, members in by_line(sources).items():
        found = _read(replay, number, [source for _, source in members])
        read.update((missing[i], track) for (i, _), track in zip(members, found, strict=True))
    kept.update(read)
    return [kept[a] for a in addresses]


AT_ONCE = 2_000_000
"""Of captures with so many frames signals are read while a screen is drawn."""


def at_hand(replay: Replay, addresses: Sequence[SignalAddress]) -> bool:
    """Whether reading signals as a whole keeps nobody waiting."""
    return len(replay.table) <= AT_ONCE or all(a in replay.lines.tracks for a in addresses)


def _read(replay: Replay, number: int, sources: Sequence[Source]) -> list[Track]:
    """Signals of one message line."""
    line, index = replay.lines.lines[number], replay.index
    assert line.message is not None
    here = index.believable(line.k) if line.k >= 0 else slice(0, 0)
    names = list(dict.fromkeys(s.reading.address.signal for s in sources))
    decoded = decode_message(*index.messages.pick(index.rows[here]), line.message, names)
    time_ns = index.times_at(here)
    found = []
    for source in sources:
        reading = source.reading
        column = decoded.signals[reading.address.signal]
        measured = reading.measured(column)
        if not replay.of_pack(reading.address):
            measured = measured & ~column.out_of_range
        value = np.where(measured, reading.values(column.values), np.nan)
        came = column.present
        if not came.all():
            time_of, value = time_ns[came], value[came]
        else:
            time_of = time_ns
        found.append(_track(source, time_of, value))
    return found


def _track(source: Source, time_ns: I64, value: F64) -> Track:
    reading, signal = source.reading, source.reading.signal
    stated = signal.minimum is not None and signal.maximum is not None
    ends = sorted(reading.value(e) for e in (signal.minimum, signal.maximum) if e is not None)
    known = stated and len(ends) == 2 and ends[0] < ends[1]
    scale = float(signal.scale) * reading.factor
    offset = float(signal.offset) * reading.factor + reading.offset
    return Track(
        name=signal.name,
        unit=reading.unit,
        time_ns=time_ns,
        value=value,
        allowed_ns=source.allowed_ns,
        decimals=min(decimals_of_step(reading.step), 3),
        step=reading.step,
        lowest=ends[0] if known else None,
        highest=ends[1] if known else None,
        choices=signal.choices if signal.choices and not signal.is_float else NO_CHOICES,
        scale=(scale or 1.0, offset),
    )
