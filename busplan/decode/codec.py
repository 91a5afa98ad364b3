"""From payload bytes to physical values, for all frames of a message at once.

The rules of this file: nothing is altered. A value outside its stated range, a frame that is too
short or too long, a multiplexer value nobody defines: all are counted and told, none is corrected
or dropped. What a frame does not carry is "not there" (``present`` is false), never a zero.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from busplan.capture.frames import REMOTE, FrameTable
from busplan.decode.layout import (
    BITS,
    SCALED,
    SCALED_UNSIGNED,
    WHOLE,
    layout_of,
    place_of,
    raw_dtype,
    value_dtype,
)
from busplan.definitions.model import Message, Signal

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]
I64 = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class DecodedSignal:
    """One signal in all frames of its message.

    * ``values``: physical values [``signal.unit``], int64 or uint64 while scale and offset are
      whole numbers, else float64; shape ``(n,)``. Where ``present`` is false: 0, or NaN in float64.
    * ``present``: whether the frame carries the signal.
    """

    signal: Signal
    values: Array
    present: Mask
    _table: FrameTable = field(repr=False)
    _rows: I64 = field(repr=False)

    @cached_property
    def raw(self) -> Array:
        """Raw values as int64 (uint64 for unsigned 64-bit signals and the bits of floats)."""
        return _extract(self._table, self._rows, [self.signal], raw=True)[0]

    @cached_property
    def out_of_range(self) -> Mask:
        """Which present values lie outside the stated minimum and maximum."""
        outside = np.zeros(len(self.values), np.bool_)
        if self.signal.minimum is not None:
            outside |= self.values < self.signal.minimum
        if self.signal.maximum is not None:
            outside |= self.values > self.signal.maximum
        return outside & self.present

    def names(self) -> tuple[npt.NDArray[np.int32], tuple[str, ...]]:
        """For each value its place in the names of the signal's value table, -1 without a name."""
        names = tuple(self.signal.choices.values())
        number = np.full(len(self.values), -1, np.int32)
        if names:
            raw = np.trunc(_floats(self.signal, self.raw)) if self.signal.is_float else self.raw
            for place, value in enumerate(self.signal.choices):
                number[(raw == value) & self.present] = place
        return number, names

    def texts(self) -> npt.NDArray[np.object_]:
        """The name of each value by the signal's value table, ``""`` where there is none."""
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


def decode_message(
    table: FrameTable,
    rows: npt.ArrayLike,
    message: Message,
    signals: Sequence[str] | None = None,
) -> DecodedMessage:
    """Decode ``signals`` (all when ``None``) of ``message`` in the given rows of ``table``.

    ``KeyError`` when the message has no signal of a name.
    """
    index = np.ascontiguousarray(rows, np.int64)
    wanted = message.signals if signals is None else tuple(message.signal(s) for s in signals)
    length = table.length[index]
    remote = (table.flags[index] & REMOTE) != 0
    presence = _Presence(table, index, message, np.where(remote, 0, length))
    columns = _extract(table, index, wanted)
    decoded = {}
    for signal, values in zip(wanted, columns, strict=True):
        present = presence.of(signal)
        if not present.all():
            values[~present] = np.nan if values.dtype == np.float64 else 0
        decoded[signal.name] = DecodedSignal(signal, values, present, table, index)
    return DecodedMessage(
        message,
        index,
        table.time_ns[index],
        decoded,
        short=int(np.count_nonzero((length < message.length) & ~remote)),
        long=int(np.count_nonzero((length > message.length) & ~remote)),
        remote=int(np.count_nonzero(remote)),
        unknown_multiplexer=presence.unknown(wanted),
    )


class _Presence:
    """Which frames carry which signal; signals with the same conditions share one mask."""

    def __init__(self, table: FrameTable, rows: I64, message: Message, length: Array) -> None:
        self._table, self._rows, self._message = table, rows, message
        self._length = length
        self._shortest = int(length.min()) if len(length) else 0
        self._masks: dict[Any, Mask] = {}
        self._raw: dict[str, Array] = {}

    def of(self, signal: Signal) -> Mask:
        need = place_of(signal).last + 1
        condition = signal.condition
        key = (need, condition)
        if key not in self._masks:
            if condition is None or not self._message.has(condition.selector):
                mask = self._long_enough(need)
            else:
                selector = self._message.signal(condition.selector)
                mask = _within(self._selected(selector), condition.ranges)
                mask &= self.of(selector)
                mask &= self._long_enough(need)
            mask.flags.writeable = False
            self._masks[key] = mask
        return self._masks[key]

    def unknown(self, wanted: Sequence[Signal]) -> int:
        """Frames in which a selector of ``wanted`` has a value that selects nothing."""
        names = {s.name for s in wanted if s.selects}
        names |= {s.condition.selector for s in wanted if s.condition}
        count = np.zeros(len(self._rows), np.bool_)
        for name in names:
            ranges = [
                pair
                for s in self._message.signals
                if s.condition and s.condition.selector == name
                for pair in s.condition.ranges
            ]
            if ranges and self._message.has(name):
                selector = self._message.signal(name)
                count |= self.of(selector) & ~_within(self._selected(selector), ranges)
        return int(np.count_nonzero(count))

    def _long_enough(self, need: int) -> Mask:
        if need <= self._shortest:
            return np.ones(len(self._rows), np.bool_)
        return np.asarray(self._length >= need)

    def _selected(self, selector: Signal) -> Array:
        if selector.name not in self._raw:
            raw = _extract(self._table, self._rows, [selector], raw=True)[0]
            self._raw[selector.name] = raw
        return self._raw[selector.name]


def _within(raw: Array, ranges: Sequence[tuple[int, int]]) -> Mask:
    """Where ``raw`` lies in one of the inclusive ``ranges``."""
    joined: list[list[int]] = []
    for low, high in sorted(ranges):
        if joined and low <= joined[-1][1] + 1:
            joined[-1][1] = max(joined[-1][1], high)
        else:
            joined.append([low, high])
    mask = np.zeros(len(raw), np.bool_)
    for low, high in joined:
        mask |= raw == low if low == high else (raw >= low) & (raw <= high)
    return mask


def _extract(
    table: FrameTable, rows: I64, signals: Sequence[Signal], *, raw: bool = False
) -> list[Array]:
    """Values (or raw values) of ``signals``, one array each; absent ones read as zero bits."""
    from busplan.decode.kernels import extract

    layout = layout_of(signals)
    bits = np.empty((len(signals), len(rows)), np.int64)
    kinds = [BITS if raw else _kind(s) for s in signals]
    ordered = [signals[i] for i in layout.order]
    whole = [kinds[i] == WHOLE for i in layout.order]
    extract(
        _read_only(rows, np.int64),
        _read_only(table.start, np.int64),
        _read_only(table.length, np.uint8),
        _read_only(table.flags, np.uint8),
        np.uint8(REMOTE),
        _read_only(table.payload, np.uint8),
        layout.order,
        layout.window,
        layout.ninth,
        layout.big,
        layout.shift,
        layout.width,
        layout.signed,
        np.array([kinds[i] for i in layout.order], np.int64),
        np.array([float(s.scale) for s in ordered]),
        np.array([float(s.offset) for s in ordered]),
        np.array([_wrapped(s.scale) if w else 1 for s, w in zip(ordered, whole, strict=True)]),
        np.array([_wrapped(s.offset) if w else 0 for s, w in zip(ordered, whole, strict=True)]),
        bits,
        bits.view(np.float64),
    )
    if raw:
        return [column.view(raw_dtype(s)) for s, column in zip(signals, bits, strict=True)]
    columns = []
    for signal, column in zip(signals, bits, strict=True):
        if signal.is_float:
            values = _floats(signal, column)
            if signal.scale != 1 or signal.offset != 0:
                with np.errstate(all="ignore"):  # infinities and signalling NaNs are data
                    values = values * float(signal.scale) + float(signal.offset)
            columns.append(values)
        else:
            columns.append(column.view(value_dtype(signal)))
    return columns


def _kind(signal: Signal) -> int:
    if signal.is_float or (signal.scale == 1 and signal.offset == 0):
        return BITS
    if value_dtype(signal) != np.float64:
        return WHOLE
    return SCALED_UNSIGNED if raw_dtype(signal) == np.uint64 else SCALED


def _floats(signal: Signal, bits: Array) -> Array:
    """Bits of IEEE 754 numbers of 16, 32 or 64 bits as float64."""
    unsigned = bits.astype(f"u{signal.length // 8}")
    return unsigned.view(f"f{signal.length // 8}").astype(np.float64)


def _wrapped(number: float | int) -> int:
    """A whole number as the int64 with the same bits; arithmetic is modulo 2**64."""
    return (int(number) + (1 << 63)) % (1 << 64) - (1 << 63)


def _read_only(array: Array, dtype: Any) -> Array:
    """A contiguous read-only view: memory maps and arrays then share one compiled kernel."""
    view = np.ascontiguousarray(array, dtype).view()
    view.flags.writeable = False
    return view
