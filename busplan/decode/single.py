"""The values of one frame at a time, in plain Python.

Screens need the latest frame of many messages many times a second. For a single frame, shifts and
masks on one Python integer beat any array; :mod:`busplan.decode.codec` is for many frames at once,
and tests hold both against each other.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from busplan.decode.layout import place_of, value_dtype
from busplan.decode.text import Tail, TextFields
from busplan.definitions.model import Message

Number = float | int
_FLOATS = {16: "e", 32: "f", 64: "d"}
_PLAIN, _WHOLE, _SCALED, _FLOAT, _TEXT = range(5)


class _Step(NamedTuple):
    """How one signal is read; ``selector`` is the place of its multiplexer selector or -1."""

    place: int
    needed: int
    selector: int
    ranges: tuple[tuple[int, int], ...]
    big: bool
    shift: int
    mask: int
    sign: int
    kind: int
    scale: Number
    offset: Number
    code: str


class FrameReader:
    """A message compiled for reading single frames of it."""

    def __init__(self, message: Message) -> None:
        self.signals = message.signals
        self._size = max([message.length, *(s.last_byte + 1 for s in message.signals)])
        self._tail = Tail.of(message)
        texts = [i for i, s in enumerate(message.signals) if s.is_text]
        self._texts = TextFields(message, [message.signals[i] for i in texts], self._tail)
        self._order = {place: i for i, place in enumerate(texts)}
        numbers = {s.name: i for i, s in enumerate(message.signals)}
        ordered: dict[int, _Step] = {}

        def add(i: int, above: frozenset[int]) -> None:
            # Selectors come before what they select.
            condition = message.signals[i].condition
            selector = numbers.get(condition.selector, -1) if condition else -1
            if selector >= 0 and selector not in ordered and selector not in above:
                add(selector, above | {i})
            if i not in ordered:
                ordered[i] = self._step(i, selector)

        for i in range(len(message.signals)):
            add(i, frozenset())
        self._steps = tuple(ordered.values())

    def _step(self, i: int, selector: int) -> _Step:
        signal = self.signals[i]
        place = place_of(signal)
        shift = place.shift + 8 * (
            self._size - 1 - place.last if signal.big_endian else place.first
        )
        scale, offset = signal.scale, signal.offset
        if signal.is_text:
            kind = _TEXT
        elif signal.is_float:
            kind = _FLOAT
        elif scale == 1 and offset == 0:
            kind = _PLAIN
        elif value_dtype(signal).kind == "f":
            kind, scale, offset = _SCALED, float(scale), float(offset)
        else:
            kind, scale, offset = _WHOLE, int(scale), int(offset)
        return _Step(
            place=i,
            needed=self._tail.bytes_needed(signal),
            selector=selector,
            ranges=signal.condition.ranges if signal.condition and selector >= 0 else (),
            big=signal.big_endian,
            shift=shift,
            mask=(1 << signal.length) - 1,
            sign=1 << (signal.length - 1) if signal.signed and not signal.is_float else 0,
            kind=kind,
            scale=scale,
            offset=offset,
            code=_FLOATS.get(signal.length, ""),
        )

    def read(self, payload: bytes) -> tuple[list[Number | str | None], list[int | None]]:
        """Physical and raw values in the order of the message's signals.

        ``None`` where the frame does not carry the signal; the payload of a remote frame is empty.
        The raw value of a floating-point signal is its bits; text has none.
        """
        size = self._size
        have = len(payload)
        padded = payload[:size].ljust(size, b"\0")
        little = int.from_bytes(padded, "little")
        big = int.from_bytes(padded, "big")
        texts = self._texts.read(payload) if self._order else []
        values: list[Number | str | None] = [None] * len(self.signals)
        raws: list[int | None] = [None] * len(self.signals)
        for step in self._steps:
            i, needed, selector, ranges, is_big, shift, mask, sign, kind, scale, offset, code = step
            if have < needed:
                continue
            if selector >= 0:
                chosen = raws[selector]
                if chosen is None or not any(low <= chosen <= high for low, high in ranges):
                    continue
            if kind == _TEXT:
                values[i] = texts[self._order[i]]
                continue
            raw = (big if is_big else little) >> shift & mask
            if raw & sign:
                raw -= mask + 1
            if kind == _PLAIN:
                values[i] = raw
            elif kind == _FLOAT:
                values[i] = _floating(raw, scale, offset, code)
            else:
                values[i] = (float(raw) if kind == _SCALED else raw) * scale + offset
            raws[i] = raw
        return values, raws


def _floating(bits: int, scale: Number, offset: Number, code: str) -> float:
    """An IEEE 754 number from its bits, scaled."""
    number: float = struct.unpack(f"<{code}", bits.to_bytes(struct.calcsize(code), "little"))[0]
    if scale == 1 and offset == 0:
        return number
    return number * float(scale) + float(offset)
