"""Messages and signals, independent of the file format they came from.

The rules of this file: values are frozen, hold plain Python types, and know nothing of files.
Bit positions follow the DBC convention: bit ``b`` is bit ``b % 8`` of byte ``b // 8``, bit 0 of a
byte being its least significant one. ``start`` is the position of the signal's least significant
bit when ``big_endian`` is false, and of its most significant bit when it is true.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal, NoReturn, TypeVar

from busplan.frames.identifier import format_identifier
from busplan.wording import counted

K = TypeVar("K")
V = TypeVar("V")


class FixedMap(dict[K, V]):
    """A dictionary that nobody can change; unlike a read-only view it can be pickled."""

    def _refuse(self, *_: Any, **__: Any) -> NoReturn:
        raise TypeError("this mapping cannot be changed")

    __setitem__ = __delitem__ = __ior__ = _refuse
    clear = pop = popitem = setdefault = update = _refuse

    def __reduce__(self) -> tuple[type[FixedMap[K, V]], tuple[dict[K, V]]]:
        return type(self), (dict(self),)


NO_CHOICES: Mapping[int, str] = FixedMap()

WIDEST_NUMBER = 64
"""Bits of the widest number; a signal of more is text."""


class Origin(StrEnum):
    """Where a figure such as a cycle time comes from; shown wherever the figure is."""

    DEFINITION = "definition"
    FILE_DEFAULT = "file default"
    PLAN = "plan"
    MEASURED = "measured"
    ASSUMED = "assumed"


SHORTEST_MS, LONGEST_MS = 0.001, 86_400_000.0
"""Spans that may be stated [ms]: far below a frame's length would be 0 in nanoseconds; a day."""


@dataclass(frozen=True, slots=True)
class Stated:
    """A time span in integer nanoseconds and where it comes from."""

    ns: int
    origin: Origin

    @property
    def ms(self) -> float:
        """The span [ms]."""
        return self.ns / 1e6

    @property
    def s(self) -> float:
        """The span [s]."""
        return self.ns / 1e9


@dataclass(frozen=True, slots=True)
class MuxCondition:
    """A multiplexed signal is on the wire only while ``selector`` has one of these raw values.

    ``ranges`` are inclusive pairs, as extended multiplexing writes them.
    """

    selector: str
    ranges: tuple[tuple[int, int], ...]

    def admits(self, raw: int) -> bool:
        """Whether the signal is present when the selector's raw value is ``raw``."""
        return any(low <= raw <= high for low, high in self.ranges)


@dataclass(frozen=True, slots=True)
class Signal:
    """One value inside a message: ``physical = raw * scale + offset`` in ``unit``.

    One of more than :data:`WIDEST_NUMBER` bits is text: whole bytes in the order they are sent.
    """

    name: str
    start: int
    length: int
    big_endian: bool = False
    signed: bool = False
    is_float: bool = False
    scale: float | int = 1
    offset: float | int = 0
    minimum: float | int | None = None
    maximum: float | int | None = None
    unit: str = ""
    choices: Mapping[int, str] = field(default_factory=lambda: NO_CHOICES, hash=False, repr=False)
    receivers: tuple[str, ...] = field(default=(), repr=False)
    selects: bool = False
    """Whether this signal is a multiplexer selector."""
    condition: MuxCondition | None = None
    comment: str = field(default="", repr=False)
    spn: int | None = None

    def bits(self) -> tuple[int, ...]:
        """Bit positions covered, least significant bit of the value first."""
        if not self.big_endian:
            return tuple(range(self.start, self.start + self.length))
        positions = []
        bit = self.start
        for _ in range(self.length):
            positions.append(bit)
            bit = bit + 15 if bit % 8 == 0 else bit - 1
        return tuple(reversed(positions))

    def mask(self) -> int:
        """The bits covered, of the payload read as one little-endian number."""
        if not self.big_endian:
            return ((1 << self.length) - 1) << self.start
        if self.is_text:
            return ((1 << self.length) - 1) << (self.start - 7)
        return sum(1 << bit for bit in self.bits())

    @property
    def is_text(self) -> bool:
        """Whether the signal is text rather than a number."""
        return self.length > WIDEST_NUMBER

    @property
    def last_byte(self) -> int:
        """Index of the last payload byte the signal touches."""
        if not self.big_endian:
            return (self.start + self.length - 1) // 8
        return self.start // 8 + (6 - self.start % 8 + self.length) // 8


def raw_range(signal: Signal) -> tuple[int, int]:
    """The least and the greatest raw integer of a signal."""
    if signal.signed:
        half = 1 << (signal.length - 1)
        return -half, half - 1
    return 0, (1 << signal.length) - 1


@dataclass(frozen=True, slots=True)
class J1939Id:
    """The fields of a 29-bit identifier by SAE J1939-21.

    ``destination`` is ``None`` when the PDU format is 240 or more (PDU2, broadcast).
    """

    priority: int
    pgn: int
    source: int
    destination: int | None


@dataclass(frozen=True, slots=True, repr=False)
class Message:
    """A message as one definition file states it.

    ``length`` is in bytes. ``cycle`` is ``None`` when nobody states a period; a period of zero in
    a file is "not stated", never a period. ``event`` is true when the file says that the message
    is sent on change rather than cyclically.
    """

    name: str
    identifier: int
    extended: bool
    length: int
    signals: tuple[Signal, ...] = ()
    senders: tuple[str, ...] = ()
    fd: bool = False
    bit_rate_switch: bool = False
    cycle: Stated | None = None
    event: bool = False
    j1939: J1939Id | None = None
    segmented: Literal["normal", "extended"] | None = None
    """Sent by ISO 15765-2, its protocol byte first or after an address byte; a plan says so."""
    comment: str = ""
    file: str = ""
    line: int | None = None
    to: tuple[str, ...] = ()
    """Receivers named for the message as a whole, which may have no signals."""
    confidence: float | None = None
    """How sure a draft is, from 0 to 1; ``None`` for what somebody stands for."""
    _by_name: Mapping[str, Signal] = field(init=False, repr=False, compare=False, hash=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_by_name", FixedMap({s.name: s for s in self.signals}))

    def __repr__(self) -> str:
        signals = counted(len(self.signals), "signal")
        return f"<Message {self.name!r} {self.label}: {self.length} bytes, {signals}>"

    def signal(self, name: str) -> Signal:
        """The signal of that name; ``KeyError`` when the message has none."""
        return self._by_name[name]

    def has(self, name: str) -> bool:
        """Whether a signal of that name belongs to the message."""
        return name in self._by_name

    @property
    def label(self) -> str:
        """The identifier as the trade writes it."""
        return format_identifier(self.identifier, self.extended)

    @property
    def receivers(self) -> tuple[str, ...]:
        """All nodes that receive the message or a signal of it, in order of first mention."""
        return unique((*self.to, *(r for s in self.signals for r in s.receivers)))


def unique(names: Iterable[str]) -> tuple[str, ...]:
    """The names without repeats, in order of first appearance."""
    return tuple(dict.fromkeys(names))
