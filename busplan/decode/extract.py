"""Reading chosen signals out of many payloads at once, through places compiled beforehand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.decode.layout import (
    BITS,
    SCALED,
    SCALED_UNSIGNED,
    WHOLE,
    raw_dtype,
    readings,
    value_dtype,
)
from busplan.definitions.model import Signal
from busplan.frames.columns import I64, Array, read_only
from busplan.frames.kinds import REMOTE
from busplan.frames.table import FrameTable


@dataclass(frozen=True, eq=False)
class Extracted:
    """Signals of some frames. Arrays have the shape of the rows; what is not sent reads as zero.

    ``shortest`` is the least number of bytes a frame has; ``short`` and ``long`` count frames
    with fewer and more bytes than defined, ``remote`` those without payload (in neither count).
    """

    values: list[Array]
    raw: list[Array]
    time_ns: I64
    shortest: int
    short: int
    long: int
    remote: int


class Extractor:
    """The compiled reading of some signals: physical values of ``signals``, bits of ``raw``."""

    def __init__(self, signals: Sequence[Signal], raw: Sequence[Signal] = ()) -> None:
        self._signals, self._raw = tuple(signals), tuple(raw)
        kinds = [_kind(s) for s in self._signals] + [BITS] * len(self._raw)
        asked = self._signals + self._raw
        rows, factors = [], []
        for reading in readings(asked):
            signal, kind = asked[reading.order], kinds[reading.order]
            whole = (signal.scale, signal.offset) if kind == WHOLE else (1, 0)
            sign = 1 << (signal.length - 1) if signal.signed and not signal.is_float else 0
            rows.append((*reading, signal.length, _wrapped(sign), kind, *map(_wrapped, whole)))
            factors.append((float(signal.scale), float(signal.offset)))
        self._places = np.array(rows, np.int64).reshape(len(rows), 10)
        self._factors = np.array(factors, np.float64).reshape(len(rows), 2)

    def __call__(self, table: FrameTable, rows: I64, defined: int = 0) -> Extracted:
        """Read from ``rows`` of ``table``; ``defined`` is the message's length [byte]."""
        from busplan.decode.kernels import extract

        times = np.empty(len(rows), np.int64)
        bits = np.empty((len(self._places), len(rows)), np.int64)
        counts = extract(
            read_only(np.asarray(rows, np.int64)),
            read_only(table.time_ns),
            read_only(table.start),
            read_only(table.length),
            read_only(table.flags),
            np.uint8(REMOTE),
            read_only(table.payload),
            defined,
            self._places,
            self._factors,
            times,
            bits,
            bits.view(np.float64),
        )
        values = [
            _scaled_floats(signal, column) if signal.is_float else column.view(value_dtype(signal))
            for signal, column in zip(self._signals, bits, strict=False)
        ]
        rest = bits[len(self._signals) :]
        raw = [column.view(raw_dtype(s)) for s, column in zip(self._raw, rest, strict=True)]
        return Extracted(values, raw, times, *counts)


def floats(signal: Signal, bits: Array) -> Array:
    """Bits of IEEE 754 numbers of 16, 32 or 64 bits as float64."""
    unsigned = bits.astype(f"u{signal.length // 8}")
    with np.errstate(invalid="ignore"):  # signalling NaNs are data
        return unsigned.view(f"f{signal.length // 8}").astype(np.float64)


def _scaled_floats(signal: Signal, bits: Array) -> Array:
    values = floats(signal, bits)
    if signal.scale == 1 and signal.offset == 0:
        return values
    with np.errstate(all="ignore"):  # infinities and NaNs are data
        return np.asarray(values * float(signal.scale) + float(signal.offset))


def _kind(signal: Signal) -> int:
    if signal.is_float or (signal.scale == 1 and signal.offset == 0):
        return BITS
    if value_dtype(signal) != np.float64:
        return WHOLE
    return SCALED_UNSIGNED if raw_dtype(signal) == np.uint64 else SCALED


def _wrapped(number: float | int) -> int:
    """A whole number as the int64 with the same bits; arithmetic is modulo 2**64."""
    return (int(number) + (1 << 63)) % (1 << 64) - (1 << 63)
