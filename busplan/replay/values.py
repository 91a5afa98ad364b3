"""Decoded values of single message lines at a moment.

A frame may not carry all signals of its message: it is short, or the multiplexer selects others.
The last value of each such signal is held, with the time it came, as far back as
:data:`LOOK_BACK` frames.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from busplan.decode.codec import decode_message
from busplan.decode.single import FrameReader
from busplan.definitions.model import Message, Signal
from busplan.replay.index import FrameIndex
from busplan.replay.lines import Line

LOOK_BACK = 4096
ONE_BY_ONE = 64
"""So many frames are looked at one by one before the rest is decoded at once."""


class Value(NamedTuple):
    """The last value of a signal: physical value and when it came.

    ``number`` is ``None`` when it has not come within the look-back, and the text of a text signal;
    ``raw`` is given for signals with named values only.
    """

    signal: Signal
    number: float | int | str | None
    raw: int | None
    time_ns: int

    @property
    def text(self) -> str:
        """The value as users read it: its name if it has one, else number and unit."""
        if self.number is None:
            return "not sent"
        if isinstance(self.number, str):
            return f'"{self.number}"'
        if self.raw is not None and self.raw in self.signal.choices:
            return self.signal.choices[self.raw]
        return f"{self.digits} {self.signal.unit}".rstrip()

    @property
    def digits(self) -> str:
        """The number with as many decimals as the signal's scale resolves."""
        if self.number is None:
            return "-"
        if isinstance(self.number, int | str):
            return str(self.number)
        if self.signal.is_float:
            return f"{self.number:.6g}"
        return f"{self.number:.{decimals(self.signal)}f}"


def decimals(signal: Signal) -> int:
    """Decimals needed to show one step of a scaled signal, six at most."""
    return _decimals(signal.scale, signal.offset)


def decimals_of_step(step: float) -> int:
    """Decimals that tell one step from the next, six at most."""
    return min(max(math.ceil(-math.log10(step) - 1e-9), 0), 6) if step > 0 else 6


@lru_cache(maxsize=4096)
def _decimals(scale: float | int, offset: float | int) -> int:
    for n in range(7):
        step, start = scale * 10**n, offset * 10**n
        if not math.isfinite(step + start):
            return n
        if abs(step - round(step)) < 1e-6 and abs(start - round(start)) < 1e-6:
            return n
    return 6


def _raw(signal: Signal, number: float | int | str) -> int | None:
    """The raw integer of a value that may have a name."""
    if isinstance(number, str) or not signal.choices or not math.isfinite(number):
        return None
    return round((number - signal.offset) / signal.scale)


class _Kept(NamedTuple):
    """The answer for a line at a position; ``came`` are the positions of its values' frames."""

    position: int
    values: tuple[Value, ...]
    came: tuple[int, ...]


class LatestValues:
    """Reads the values of a line at a position; keeps the last answer of each line.

    Going on from a kept answer gives the same as starting anew, only sooner.
    """

    def __init__(self, index: FrameIndex) -> None:
        self._index = index
        self._readers: dict[int, FrameReader] = {}
        self._kept: dict[int, _Kept] = {}

    def at(self, line: Line, position: int) -> tuple[Value, ...]:
        """Values of every signal with the frame at ``position``; empty without a definition."""
        if line.message is None or position < 0:
            return ()
        kept = self._kept.get(line.k)
        if kept is None or kept.position != position:
            kept = self._read(line.message, line.k, position, kept)
            self._kept[line.k] = kept
        return kept.values

    def _read(self, message: Message, k: int, position: int, kept: _Kept | None) -> _Kept:
        reader = self._readers.get(k)
        if reader is None:
            reader = self._readers[k] = FrameReader(message)
        index, signals = self._index, reader.signals
        messages, rows = index.messages, index.rows
        numbers, _ = reader.read(messages.bytes_of(int(rows[position])))
        time_ns = index.time_at(position)
        values = [
            Value(s, n, None if n is None else _raw(s, n), -1 if n is None else time_ns)
            for s, n in zip(signals, numbers, strict=True)
        ]
        if None not in numbers:
            return _Kept(position, tuple(values), (position,) * len(signals))
        came = [-1 if n is None else position for n in numbers]
        missing = [i for i, n in enumerate(numbers) if n is None]
        first = max(int(index.starts[k]), position + 1 - LOOK_BACK)
        at = position - 1
        while missing and at >= first and position - at <= ONE_BY_ONE:
            if kept is not None and at == kept.position:
                for i in missing:
                    if kept.came[i] >= first:
                        values[i], came[i] = kept.values[i], kept.came[i]
                missing = []
                break
            numbers, _ = reader.read(messages.bytes_of(int(rows[at])))
            for i in missing:
                if (number := numbers[i]) is not None:
                    signal = signals[i]
                    values[i] = Value(signal, number, _raw(signal, number), index.time_at(at))
                    came[i] = at
            missing = [i for i in missing if came[i] < 0]
            at -= 1
        # Further back in growing stretches, all frames of one at once.
        stretch = 8 * ONE_BY_ONE
        while missing and at >= first:
            begin = max(first, at + 1 - stretch)
            decoded = decode_message(
                *messages.pick(rows[begin : at + 1]), message, [signals[i].name for i in missing]
            )
            for i in missing:
                column = decoded.signals[signals[i].name]
                if len(present := np.flatnonzero(column.present)):
                    place = int(present[-1])
                    came[i] = begin + place
                    number = column.values[place : place + 1].tolist()[0]
                    values[i] = Value(
                        signals[i], number, _raw(signals[i], number), index.time_at(came[i])
                    )
            missing = [i for i in missing if came[i] < 0]
            at, stretch = begin - 1, 8 * stretch
        return _Kept(position, tuple(values), tuple(came))
