"""Signals of a capture as steps over time, by the one rule of this room."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field

import numpy as np

from busplan.behaviour.steps import START, Steps, from_masks
from busplan.decode.codec import Codec
from busplan.decode.match import Match, match_frames
from busplan.frames.columns import F64, I64, Mask
from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable
from busplan.pack.reading import PackReadings, SignalReading, plain_reading
from busplan.plan.claims import Operand
from busplan.plan.vehicle import Vehicle
from busplan.traffic.silence import allowed_of, allowed_of_part, rhythm_ns, rhythm_positions
from busplan.transport.messages import Messages, put_together

KEPT_BYTES = 200_000_000
"""Steps of signals that are kept for the next behaviour; what is more is decoded again."""
ROWS_AT_ONCE = 2_000_000
NOT_YET = START
"""When a signal first came that no frame has carried so far."""


@dataclass(frozen=True, eq=False)
class Traced:
    """One signal: its steps in ``unit``, and when it came.

    ``first_ns`` is when it first came, ``None`` when it never did; ``allowed_ns`` its allowed age;
    ``period_ns`` the median distance of its frames, infinite below two.
    """

    steps: Steps
    unit: str
    first_ns: int | None
    allowed_ns: float
    period_ns: float
    wrap: float | None = None
    """Where a counter begins anew, in its unit; ``None`` for a signal that cannot."""
    reading: SignalReading | None = None
    """How its numbers become the quantity, settled by its first values."""

    @property
    def size(self) -> int:
        """Bytes of its arrays."""
        return 3 * self.steps.time.nbytes


@dataclass(frozen=True, slots=True)
class Known:
    """What stays of a signal when its first frames are forgotten: see :class:`Traced`."""

    reading: SignalReading
    first_ns: int
    allowed_ns: float
    period_ns: float


Grown = tuple[int, float]
"""A time [ns] at which a counter was known, and by how much it had grown then."""


@dataclass(eq=False)
class Memory:
    """What is remembered of frames that are not held any more."""

    signals: dict[Operand, Known] = field(default_factory=dict)
    networks: set[str] = field(default_factory=set)
    grown: dict[tuple[Operand, Operand], tuple[Grown, Grown]] = field(default_factory=dict)
    """How far two counters that shall count the same had come."""


_NEVER = Steps(np.array([START]), np.array([-np.inf]), np.array([np.inf]))


class Signals:
    """What a capture says of a vehicle's signals; its networks have the plan's names."""

    def __init__(
        self, table: FrameTable | Messages, vehicle: Vehicle, memory: Memory | None = None
    ) -> None:
        messages = table if isinstance(table, Messages) else put_together(table, vehicle)
        self.messages = messages
        self.vehicle = vehicle
        self.memory = memory or Memory()
        self.begin_ns, self.end_ns = messages.frames.believable
        self._matches: dict[tuple[str, str, str], Match] = {
            m.stream.path: m for m in match_frames(messages, vehicle).matches
        }
        self._pack = None if vehicle.pack is None else PackReadings.of(vehicle, vehicle.pack)
        self._kept: OrderedDict[Operand, Traced] = OrderedDict()

    def reading(self, operand: Operand) -> SignalReading | None:
        """How the operand becomes a quantity; ``None`` when no node sends it."""
        if operand.quantity is not None and self._pack is not None:
            return self._pack.quantities.get(operand.quantity)
        match = self._matches.get(operand.address[:3])
        if match is None:
            return None
        stream = match.stream
        signal = stream.message.signal(operand.address.signal)
        return plain_reading(operand.address, signal, None if stream.event else stream.cycle)

    def traced(self, operand: Operand) -> Traced:
        """The operand over time; unknown at all times when it never came."""
        if operand in self._kept:
            self._kept.move_to_end(operand)
            return self._kept[operand]
        made = self._trace(operand)
        self._kept[operand] = made
        while len(self._kept) > 1 and sum(t.size for t in self._kept.values()) > KEPT_BYTES:
            self._kept.popitem(last=False)
        return made

    def seen_to_ns(self, operand: Operand) -> float:
        """How exactly a change of it is seen [ns]: by its period, at once if sent when it changes.

        Infinite when it came less than twice.
        """
        match = self._matches.get(operand.address[:3])
        sent_at_once = match is not None and match.stream.event
        return 0.0 if sent_at_once else self.traced(operand).period_ns

    def recorded(self, network: str) -> bool:
        """Whether the capture holds frames of a network."""
        held = (key.network for key in self.messages.groups)
        return network in self.memory.networks or network in held

    def heard(self, path: tuple[str, str, str]) -> bool:
        """Whether any frame of a message was recorded."""
        return self.first_ns(path) is not None

    def first_ns(self, path: tuple[str, str, str]) -> int | None:
        """When the first frame of a message came; ``None``: never."""
        rows = self._rows(path)
        return int(self.messages.times(rows[:1])[0]) if len(rows) else None

    def silence(self, path: tuple[str, str, str], after_ns: int) -> Steps:
        """Where no frame of a message has come for ``after_ns``.

        Unknown while it could have come before the capture began, and throughout when no frame of
        it was recorded: a message that is lost from a capture is no sender that stopped.
        """
        rows = self._rows(path)
        if not len(rows):
            return _NEVER
        came = self.messages.times(rows)
        came = np.concatenate([[self.begin_ns], came])
        ends = came + after_ns
        following = np.append(came[1:], self.end_ns + 1)
        silent = ends < following
        time = np.concatenate([[START], came, ends[silent], [self.end_ns + 1]])
        state = np.concatenate([[0], np.full(len(came), -1), np.ones(int(silent.sum())), [0]])
        if len(came) > 1 and came[1] > came[0]:
            state[1] = 0
        order = np.lexsort((np.arange(len(time)), time))
        time, state = time[order], state[order]
        last = np.append(time[1:] != time[:-1], True)
        time, state = time[last], state[last]
        return from_masks(time.astype(np.int64), state > 0, state != 0)

    def keys(self, path: tuple[str, str, str]) -> tuple[FrameKey, ...]:
        """The identifiers under which a message came."""
        match = self._matches.get(path)
        return () if match is None else match.keys

    def _rows(self, path: tuple[str, str, str]) -> I64:
        """Rows of a message with believable times, in time order."""
        match = self._matches.get(path)
        if match is None or not len(match.rows):
            return np.empty(0, np.int64)
        times = self.messages.times(match.rows)
        first, last = np.searchsorted(times, (self.begin_ns, self.end_ns + 1))
        return match.rows[first:last]

    def _trace(self, operand: Operand) -> Traced:
        from busplan.behaviour.step_kernels import received

        known = self.memory.signals.get(operand)
        reading = self.reading(operand) if known is None else known.reading
        rows = self._rows(operand.address[:3])
        if reading is None or not len(rows):
            unit = "" if reading is None else reading.unit
            if known is None:
                return Traced(_NEVER, unit, None, float("inf"), float("inf"))
            return Traced(_NEVER, unit, known.first_ns, known.allowed_ns, known.period_ns)
        match = self._matches[operand.address[:3]]
        time, value, measured, message_time, reading = self._decoded(match, reading, rows)
        if known is None:
            known = _learnt(reading, time, message_time)
        reach = int(min(known.allowed_ns, 2.0**60))
        at, low, high, n = received(time, value, measured, reach, START, self.end_ns + 1)
        return Traced(
            Steps(at[:n].copy(), low[:n].copy(), high[:n].copy()),
            reading.unit,
            known.first_ns if known.first_ns != NOT_YET else None,
            known.allowed_ns,
            known.period_ns,
            _wrap(reading),
            reading,
        )

    def _decoded(
        self, match: Match, reading: SignalReading, rows: I64
    ) -> tuple[I64, F64, Mask, I64, SignalReading]:
        """Times, values and what is a measurement, of frames that carry it; all frames' times.

        Then the reading as its first values have settled it.
        """
        name = reading.address.signal
        codec = Codec(match.stream.message, (name,))
        times, values, oks, every = [], [], [], []
        settled: SignalReading | None = None
        for first in range(0, len(rows), ROWS_AT_ONCE):
            decoded = codec.decode(*self.messages.pick(rows[first : first + ROWS_AT_ONCE]))
            column = decoded[name]
            ok = np.asarray(reading.measured(column))
            if settled is None:
                settled = reading.settled(np.asarray(column.values[ok], np.float64))
            present = np.asarray(column.present)
            whole = bool(present.all())
            number = settled.values(column.values)
            every.append(decoded.time_ns)
            times.append(decoded.time_ns if whole else decoded.time_ns[present])
            values.append(number if whole else number[present])
            oks.append(ok if whole else ok[present])
        columns = (
            np.ascontiguousarray(np.concatenate(parts)) for parts in (times, values, oks, every)
        )
        return (*columns, settled or reading)  # type: ignore[return-value]


def _learnt(reading: SignalReading, time: I64, message_time: I64) -> Known:
    """What the frames of a signal (n,) tell, among all of its message."""
    allowed = allowed_of(reading.cycle, message_time)
    if reading.signal.condition is not None:
        allowed = allowed_of_part(allowed, time)
    positions = rhythm_positions(len(time))
    rhythm = rhythm_ns(time[positions] - time[positions - 1])
    period = float("inf") if np.isnan(rhythm) else rhythm
    return Known(reading, int(time[0]) if len(time) else NOT_YET, allowed, period)


def _wrap(reading: SignalReading) -> float | None:
    signal = reading.signal
    if signal.is_float or signal.signed or signal.length > 52:
        return None
    return float(1 << signal.length) * reading.step
