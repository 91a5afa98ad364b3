"""The mapped signals as of the last frames, read as the evaluation of the pack reads them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from busplan.decode.codec import decode_message
from busplan.frames.columns import F64
from busplan.pack.reading import PackReadings, SignalReading, plain_reading
from busplan.plan.vehicle import PackLayout, SignalAddress, Vehicle
from busplan.replay.index import FrameIndex
from busplan.replay.lines import NEVER, Ages, Line, Lines
from busplan.replay.pack_state import Quantity, Told
from busplan.replay.values import Value, decimals_of_step
from busplan.traffic.silence import allowed_of_part

FindLine = Callable[[SignalAddress], Line | None]
ReadValues = Callable[[Line, int], tuple[Value, ...]]
"""The values of a line as of the frame at a position."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where one signal comes from: line number, place in its message, allowed age [ns]."""

    reading: SignalReading
    number: int
    place: int
    allowed_ns: float


@dataclass(frozen=True, eq=False)
class PackSources:
    """The sources of a layout, in its order; ``None`` where there is no such signal."""

    cells: Gather
    sensors: Gather
    quantities: Gather
    names: tuple[str, ...]

    @staticmethod
    def of(vehicle: Vehicle, layout: PackLayout, lines: Lines, find: FindLine) -> PackSources:
        """From the plan; what only the frames can settle is looked up in them once."""
        readings = PackReadings.of(vehicle, layout)
        return PackSources(
            Gather.of(lines, find, readings.cells),
            Gather.of(lines, find, readings.sensors),
            Gather.of(lines, find, tuple(readings.quantities.values())),
            tuple(readings.quantities),
        )


@dataclass(frozen=True, eq=False)
class Gather:
    """A list of signals, by message line, so that each message is decoded once."""

    sources: tuple[Source | None, ...]
    by_line: tuple[tuple[int, tuple[tuple[int, Source], ...]], ...]
    """Line number and (place in the result, source)."""
    factor: F64
    offset: F64
    in_capture: bool
    """Whether the capture holds frames of any of them."""

    @staticmethod
    def of(lines: Lines, find: FindLine, readings: Sequence[SignalReading | None]) -> Gather:
        """Find the lines that carry the readings."""
        sources = tuple(
            None if reading is None else source_of(lines, find(reading.address), reading)
            for reading in readings
        )
        members = by_line(sources)
        return Gather(
            sources,
            tuple((number, tuple(mine)) for number, mine in members.items()),
            np.array([1.0 if s is None else s.reading.factor for s in sources]),
            np.array([0.0 if s is None else s.reading.offset for s in sources]),
            any(lines.lines[number].k >= 0 for number in members),
        )

    def at(self, lines: Lines, read: ReadValues, ages: Ages, t_ns: int) -> Told:
        """What was told last: NaN where nothing has come yet, or a code instead of a measurement.

        What has not come is stale once it should have.
        """
        size = len(self.sources)
        value: list[float] = [np.nan] * size
        age: list[int] = [NEVER] * size
        stale = [True] * size
        coded = [False] * size
        for number, members in self.by_line:
            values = read(lines.lines[number], int(ages.position[number]))
            for i, source in members:
                latest = values[source.place].number if values else None
                if latest is None or isinstance(latest, str):
                    stale[i] = t_ns > source.allowed_ns
                    continue
                age[i] = t_ns - values[source.place].time_ns
                stale[i] = age[i] > source.allowed_ns
                if latest in source.reading.codes or latest - latest != 0:
                    coded[i] = True
                else:
                    value[i] = latest
        return Told(
            np.array(value, np.float64) * self.factor + self.offset,
            np.array(age, np.int64),
            np.array(stale, np.bool_),
            np.array(coded, np.bool_),
        )

    def quantity(
        self, lines: Lines, read: ReadValues, ages: Ages, told: Told, i: int
    ) -> Quantity | None:
        """One value as users read it; ``None`` when it has not come."""
        source = self.sources[i]
        if source is None or told.age_ns[i] == NEVER:
            return None
        line = lines.lines[source.number]
        latest = read(line, int(ages.position[source.number]))[source.place]
        return Quantity(
            float(told.value[i]),
            source.reading.unit,
            bool(told.stale[i]),
            text_of(source.reading, latest),
        )


def text_of(reading: SignalReading, latest: Value) -> str:
    """A value in the reading's unit; a code or a state by its name."""
    number = latest.number
    if number is None or isinstance(number, str):
        return latest.text
    value = reading.value(number)
    if np.isnan(value):
        return reading.codes.get(number, latest.text)
    if reading.plain and (reading.unit == reading.signal.unit or not reading.signal.unit):
        return latest.text
    return f"{value:z.{decimals_of_step(reading.step)}f} {reading.unit}"


def plain_source(lines: Lines, line: Line | None, address: SignalAddress) -> Source | None:
    """Where any number comes from, in its own unit; ``None`` for text, or when nobody sends it."""
    if line is None or line.message is None or not line.message.has(address.signal):
        return None
    if line.message.signal(address.signal).is_text:
        return None
    reading = plain_reading(address, line.message.signal(address.signal), line.cycle)
    return source_of(lines, line, reading)


def by_line(sources: Sequence[Source | None]) -> dict[int, list[tuple[int, Source]]]:
    """Line number → (place in the list, source), so that each message is decoded once."""
    found: dict[int, list[tuple[int, Source]]] = {}
    for i, source in enumerate(sources):
        if source is not None:
            found.setdefault(source.number, []).append((i, source))
    return found


def source_of(lines: Lines, line: Line | None, reading: SignalReading) -> Source | None:
    """Where a reading comes from, settled by its frames where the definition leaves it open."""
    if line is None or line.message is None or not line.message.has(reading.address.signal):
        return None
    number = lines.number[line.key]
    allowed = float(lines.allowed_ns[number])
    if line.k >= 0 and (reading.open or reading.signal.condition is not None):
        reading, allowed = _by_its_frames(lines.index, line, reading, allowed)
    place = line.message.signals.index(line.message.signal(reading.address.signal))
    return Source(reading, number, place, allowed)


def _by_its_frames(
    index: FrameIndex, line: Line, reading: SignalReading, allowed_ns: float
) -> tuple[SignalReading, float]:
    """What only the frames tell: the unit of an open reading, the rhythm of a multiplexed one."""
    assert line.message is not None
    here = index.believable(line.k)
    name = reading.address.signal
    column = decode_message(*index.messages.pick(index.rows[here]), line.message, [name])[name]
    measured = reading.measured(column)
    settled = reading.settled(np.asarray(column.values[measured], np.float64))
    if reading.signal.condition is not None:
        allowed_ns = allowed_of_part(allowed_ns, index.times_at(here)[column.present])
    return settled, allowed_ns
