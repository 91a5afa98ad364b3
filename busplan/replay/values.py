"""Decoded values of single message lines at a moment.

A frame may not carry all signals of its message: it is short, or the multiplexer selects others.
The last value of each such signal is held, with the time it came, as far back as
:data:`LOOK_BACK` frames.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.capture.frames import FrameTable
from busplan.decode.codec import decode_message
from busplan.definitions.model import Message, Signal
from busplan.replay.index import FrameIndex
from busplan.replay.lines import Line

LOOK_BACK = 4096


@dataclass(frozen=True, slots=True)
class Value:
    """The last value of a signal: physical value and when it came.

    ``number`` is ``None`` when it has not come within the look-back; ``raw`` is given for signals
    with named values only.
    """

    signal: Signal
    number: float | int | None
    raw: int | None
    time_ns: int

    @property
    def text(self) -> str:
        """The value as users read it: its name if it has one, else number and unit."""
        if self.number is None:
            return "not sent"
        if self.raw is not None and self.raw in self.signal.choices:
            return self.signal.choices[self.raw]
        return f"{self.digits} {self.signal.unit}".rstrip()

    @property
    def digits(self) -> str:
        """The number with as many decimals as the signal's scale resolves."""
        if self.number is None:
            return "-"
        if isinstance(self.number, int):
            return str(self.number)
        if self.signal.is_float:
            return f"{self.number:.6g}"
        return f"{self.number:.{decimals(self.signal)}f}"


def decimals(signal: Signal) -> int:
    """Decimals needed to show one step of a scaled signal, six at most."""
    for n in range(7):
        step, offset = signal.scale * 10**n, signal.offset * 10**n
        if abs(step - round(step)) < 1e-6 and abs(offset - round(offset)) < 1e-6:
            return n
    return 6


def _raw(signal: Signal, number: float | int) -> int | None:
    """The raw integer of a value that may have a name."""
    return round((number - signal.offset) / signal.scale) if signal.choices else None


class LatestValues:
    """Reads the values of a line at a position; keeps the last answer of each line."""

    def __init__(self, table: FrameTable, index: FrameIndex) -> None:
        self._table = table
        self._index = index
        self._kept: dict[int, tuple[int, tuple[Value, ...]]] = {}

    def at(self, line: Line, position: int) -> tuple[Value, ...]:
        """Values of every signal with the frame at ``position``; empty without a definition."""
        if line.message is None or position < 0:
            return ()
        kept = self._kept.get(line.k)
        if kept is None or kept[0] != position:
            kept = position, self._read(line.message, line.k, position)
            self._kept[line.k] = kept
        return kept[1]

    def _read(self, message: Message, k: int, position: int) -> tuple[Value, ...]:
        first = int(self._index.starts[k])
        wanted = {s.name: Value(s, None, None, -1) for s in message.signals}
        missing = list(message.signals)
        back = 64 if any(s.condition for s in missing) else 1
        while missing:
            begin = max(first, position + 1 - back)
            rows = self._index.rows[begin : position + 1]
            decoded = decode_message(self._table, rows, message, [s.name for s in missing])
            for signal in missing:
                column = decoded.signals[signal.name]
                if len(came := np.flatnonzero(column.present)):
                    i = int(came[-1])
                    wanted[signal.name] = Value(
                        signal,
                        number := column.values[i].item(),
                        _raw(signal, number),
                        int(self._index.times_ns[begin + i]),
                    )
            missing = [s for s in missing if wanted[s.name].number is None]
            if begin == first or back >= LOOK_BACK:
                break
            back *= 8
        return tuple(wanted.values())
