"""Text in payloads: signals too wide for a number, such as VIN, serial number and software names.

The rules of this file:

* text is ISO 8859-1, a byte a character, in the order the bytes are sent, whichever byte order the
  definition states. Bytes of 0x00, 0xFF and blanks at its end fill it up and are left out;
* content with control characters is no text and is shown as its bytes in hexadecimal;
* in J1939 messages the text signals at the end may be any length up to the defined one. When the
  bytes there hold a ``*``, that ends each of them, wherever it lies (SAE J1939-71, variable length
  ASCII data; from memory). The last signal takes all that is left;
* in segmented messages the text at the end may be shorter than defined, too, and is taken as it
  came. Everywhere else text is there only when a frame holds all of its bytes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busplan.decode.layout import place_of
from busplan.definitions.model import Message, Signal
from busplan.frames.columns import I32, I64
from busplan.frames.table import FrameTable

Texts = tuple[I32, tuple[str, ...]]
"""For each frame the number of its text among the different ones, -1 where it has none."""

FILL = b"\x00\xff "
DELIMITER = b"*"
_CONTROL = frozenset((*range(0x20), *range(0x7F, 0xA0)))
_AT_ONCE = 1 << 24
"""Payload bytes looked at together."""


def text_of(content: bytes) -> str:
    """Bytes as the text they are, or as hexadecimal digits when they are none."""
    kept = content.rstrip(FILL)
    if _CONTROL.isdisjoint(kept):
        return kept.decode("latin-1")
    return content.hex(" ").upper()


@dataclass(frozen=True)
class Tail:
    """The text signals at the end of a message that may be shorter than defined, in order.

    ``place`` gives each its number among them, ``begin`` is the first byte of the first one.
    ``delimited``: they are of J1939. ``least_length``: with fewer bytes the message is short.
    """

    place: Mapping[str, int]
    begin: int
    delimited: bool
    least_length: int

    @staticmethod
    def of(message: Message) -> Tail:
        """From the definition and from how the message is sent."""
        tail: list[Signal] = []
        if message.j1939 is not None or message.segmented is not None:
            for signal in sorted(message.signals, key=lambda s: s.last_byte, reverse=True):
                if not signal.is_text or (tail and signal.condition != tail[0].condition):
                    break
                tail.append(signal)
        tail.reverse()
        begin = min((place_of(s).first for s in tail), default=message.length)
        delimited = message.j1939 is not None and bool(tail)
        least = min(begin, message.length) if delimited else message.length
        return Tail({s.name: i for i, s in enumerate(tail)}, begin, delimited, least)

    def bytes_needed(self, signal: Signal) -> int:
        """Bytes that a frame must have, at the least, for ``signal`` to be in it."""
        if signal.name not in self.place:
            return signal.last_byte + 1
        return (self.begin if self.delimited else place_of(signal).first) + 1


class TextFields:
    """The text signals of a message, compiled; ``wanted`` are those to read, in their order."""

    def __init__(self, message: Message, wanted: Sequence[Signal], tail: Tail) -> None:
        self.wanted = tuple(wanted)
        self._tail, self._end = tail, message.length
        self._steps = [
            (place_of(s).first, s.last_byte + 1, tail.place.get(s.name, -1)) for s in self.wanted
        ]
        firsts = [first for first, _, _ in self._steps]
        lasts = [last for _, last, _ in self._steps]
        if tail.delimited:
            firsts.append(tail.begin)
            lasts.append(message.length)
        self._first, self._last = min(firsts, default=0), max(lasts, default=0)

    def read(self, payload: bytes) -> list[str | None]:
        """The texts of one frame; ``None`` where it has none. Selectors are not looked at."""
        parts = self._parts(payload)
        found: list[str | None] = []
        for first, last, place in self._steps:
            if parts is not None and place >= 0:
                found.append(_field(parts, place, len(self._tail.place)))
            elif len(payload) >= (first + 1 if place >= 0 else last):
                found.append(text_of(payload[first:last]))
            else:
                found.append(None)
        return found

    def _parts(self, payload: bytes) -> list[bytes] | None:
        """What lies between the delimiters; ``None`` without any."""
        if not self._tail.delimited:
            return None
        area = payload[self._tail.begin : self._end].rstrip(FILL)
        return area.split(DELIMITER) if DELIMITER in area else None

    def columns(self, table: FrameTable, rows: I64, lengths: I64) -> list[Texts]:
        """The texts of many frames, a column a signal; ``lengths`` are 0 for remote frames."""
        numbers = [np.full(len(rows), -1, np.int32) for _ in self._steps]
        known: list[dict[str, int]] = [{} for _ in self._steps]
        width = max(0, min(self._last, int(lengths.max(initial=0))) - self._first)
        step = max(1, _AT_ONCE // max(self._first + width, 1))
        for begin in range(0, len(rows), step):
            part = slice(begin, begin + step)
            different, which = _different(table, rows[part], lengths[part], self._first, width)
            for column, texts in enumerate(zip(*map(self.read, different), strict=True)):
                codes = [
                    -1 if t is None else known[column].setdefault(t, len(known[column]))
                    for t in texts
                ]
                numbers[column][part] = np.array(codes, np.int32)[which]
        return [(n, tuple(k)) for n, k in zip(numbers, known, strict=True)]


def _different(
    table: FrameTable, rows: I64, lengths: I64, first: int, width: int
) -> tuple[list[bytes], I64]:
    """The different payloads of some frames from a byte on, blank before it, and which has each."""
    content = table.payload_matrix(rows, first + width)[:, first:]
    here = np.minimum(lengths - first, width)
    held = np.empty((len(rows), width + 4), np.uint8)
    held[:, :4] = np.maximum(lengths, 0).astype("<u4").reshape(-1, 1).view(np.uint8)
    held[:, 4:] = np.where(np.arange(width) < here[:, None], content, 0)
    _, at, which = np.unique(
        held.view(f"V{width + 4}").ravel(), return_index=True, return_inverse=True
    )
    lead = bytes(first)
    found = []
    for row in at.tolist():
        size = int(lengths[row])
        kept = max(0, min(size - first, width))
        found.append((lead + held[row, 4 : 4 + kept].tobytes())[:size])
    return found, which.reshape(-1)


def _field(parts: list[bytes], place: int, count: int) -> str | None:
    """One of ``count`` texts between delimiters; the last takes what is left."""
    if place < count - 1:
        ended = place < len(parts) - 1
        here = parts[place] if place < len(parts) else b""
        return text_of(here) if ended or here else None
    rest = parts[place:]
    if not rest or rest == [b""]:
        return None
    left = DELIMITER.join(rest)
    return text_of(left.removesuffix(DELIMITER) if rest[-1] == b"" else left)
