"""From payload bytes to physical values, for all frames of a message at once.

The rules of this file: nothing is altered. A value outside its stated range, a frame that is too
short or too long, a multiplexer value nobody defines: all are counted and told, none is corrected
or dropped. What a frame does not carry is "not there" (``present`` is false), never a zero.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from busplan.decode.extract import Extractor, floats
from busplan.decode.presence import Presence, PresencePlan
from busplan.decode.text import Tail, TextFields, Texts
from busplan.definitions.model import Message, Signal
from busplan.frames.columns import I64, Array, Mask
from busplan.frames.kinds import REMOTE
from busplan.frames.table import FrameTable


@dataclass(frozen=True, eq=False)
class DecodedSignal:
    """One signal in all frames of its message.

    * ``values``: physical values [``signal.unit``], int64 or uint64 while scale and offset are
      whole numbers, else float64; shape ``(n,)``. Where ``present`` is false: 0, or NaN in float64.
      Of a text signal the texts, as objects; ``""`` where it is not present.
    * ``present``: whether the frame carries the signal.
    """

    signal: Signal
    values: Array
    present: Mask
    _table: FrameTable = field(repr=False)
    _rows: I64 = field(repr=False)
    _texts: Texts | None = field(default=None, repr=False)

    @cached_property
    def raw(self) -> Array:
        """Raw values as int64 (uint64 for unsigned 64-bit signals and the bits of floats).

        ``TypeError`` for a text signal, which is no number.
        """
        if self.signal.is_text:
            raise TypeError(f"{self.signal.name} is text and has no raw value")
        return Extractor([], [self.signal])(self._table, self._rows).raw[0]

    @cached_property
    def out_of_range(self) -> Mask:
        """Which present values lie outside the stated minimum and maximum."""
        outside = np.zeros(len(self.values), np.bool_)
        if self.signal.is_text:
            return outside
        if self.signal.minimum is not None:
            outside |= self.values < self.signal.minimum
        if self.signal.maximum is not None:
            outside |= self.values > self.signal.maximum
        return outside & self.present

    def names(self) -> tuple[npt.NDArray[np.int32], tuple[str, ...]]:
        """For each value its place in the names of the signal's value table, -1 without a name.

        The names of a text signal are the different texts that came.
        """
        if self._texts is not None:
            return self._texts
        names = tuple(self.signal.choices.values())
        number = np.full(len(self.values), -1, np.int32)
        if names:
            raw = np.trunc(floats(self.signal, self.raw)) if self.signal.is_float else self.raw
            for place, value in enumerate(self.signal.choices):
                number[(raw == value) & self.present] = place
        return number, names

    def texts(self) -> npt.NDArray[np.object_]:
        """The name of each value by the signal's value table, or its text; ``""`` without one."""
        number, names = self.names()
        return np.array([*names, ""], object)[number]


@dataclass(frozen=True, eq=False)
class DecodedMessage:
    """The frames of one message, decoded. Arrays have the shape ``(n,)`` of ``rows``.

    ``short`` counts frames with fewer bytes than defined, ``long`` those with more, ``remote``
    remote frames (they carry no signal), ``unknown_multiplexer`` frames whose selector has a value
    that no signal is defined for.
    """

    message: Message
    rows: I64
    time_ns: I64
    signals: Mapping[str, DecodedSignal]
    short: int
    long: int
    remote: int
    unknown_multiplexer: int

    def __getitem__(self, name: str) -> DecodedSignal:
        return self.signals[name]

    def __len__(self) -> int:
        return len(self.rows)


class Codec:
    """A message compiled for decoding chosen signals (all when ``None``), to be used many times.

    ``KeyError`` when the message has no signal of a name.
    """

    def __init__(self, message: Message, signals: Sequence[str] | None = None) -> None:
        self.message = message
        self.signals = tuple(
            message.signals if signals is None else (message.signal(s) for s in signals)
        )
        tail = Tail.of(message)
        self._least = tail.least_length
        self._presence = PresencePlan(message, self.signals, tail)
        self._numbers = tuple(s for s in self.signals if not s.is_text)
        self._texts = TextFields(message, [s for s in self.signals if s.is_text], tail)
        self._extract = Extractor(self._numbers, self._presence.selectors)

    def decode(self, table: FrameTable, rows: npt.ArrayLike) -> DecodedMessage:
        """Decode the given rows of ``table``."""
        index = np.ascontiguousarray(rows, np.int64)
        read = self._extract(table, index, self.message.length)
        presence = Presence(self._presence, read, lambda: _sent(table, index))
        everywhere = np.broadcast_to(np.True_, len(index))
        decoded = {}
        for signal, values in zip(self._numbers, read.values, strict=True):
            present = presence.of(signal.name)
            if present is None:
                present = everywhere
            else:
                nothing = np.nan if values.dtype == np.float64 else 0
                np.copyto(values, nothing, where=presence.absent(signal.name))
            decoded[signal.name] = DecodedSignal(signal, values, present, table, index)
        short = read.short
        if self._texts.wanted:
            decoded |= self._decode_texts(table, index, presence)
            decoded = {s.name: decoded[s.name] for s in self.signals}
        if self._least < self.message.length:
            lengths = table.length[index][table.flags[index] & REMOTE == 0]
            short = int(np.count_nonzero(lengths < self._least))
        return DecodedMessage(
            self.message,
            index,
            read.time_ns,
            decoded,
            short=short,
            long=read.long,
            remote=read.remote,
            unknown_multiplexer=presence.unknown(),
        )

    def _decode_texts(
        self, table: FrameTable, rows: I64, presence: Presence
    ) -> dict[str, DecodedSignal]:
        found = {}
        texts = self._texts.columns(table, rows, _sent(table, rows))
        for signal, (number, names) in zip(self._texts.wanted, texts, strict=True):
            mask = presence.of(signal.name)
            if mask is not None:
                number[~mask] = -1
            values = np.array([*names, ""], object)[number]
            present = number >= 0
            found[signal.name] = DecodedSignal(
                signal, values, present, table, rows, (number, names)
            )
        return found


def decode_message(
    table: FrameTable,
    rows: npt.ArrayLike,
    message: Message,
    signals: Sequence[str] | None = None,
) -> DecodedMessage:
    """Decode ``signals`` (all when ``None``) of ``message`` in the given rows of ``table``.

    ``KeyError`` when the message has no signal of a name. :class:`Codec` saves compiling when the
    same signals are decoded again and again.
    """
    return Codec(message, signals).decode(table, rows)


def _sent(table: FrameTable, rows: I64) -> Array:
    """Payload lengths, 0 for remote frames."""
    return np.where(table.flags[rows] & REMOTE, 0, table.length[rows]).astype(np.int64)
