"""Reading chosen signals out of many payloads at once, through a layout compiled beforehand."""

from __future__ import annotations

from collections.abc import Sequence
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
    raw_dtype,
    value_dtype,
)
from busplan.definitions.model import Signal

Array = npt.NDArray[Any]
I64 = npt.NDArray[np.int64]


class Extractor:
    """The compiled reading of some signals: their physical values, or with ``raw`` their bits."""

    def __init__(self, signals: Sequence[Signal], *, raw: bool = False) -> None:
        self._signals = tuple(signals)
        self._raw = raw
        kinds = [BITS if raw else _kind(s) for s in signals]
        layout = layout_of(signals)
        ordered = [(signals[i], kinds[i]) for i in layout.order]
        self._arguments = (
            layout.order,
            layout.window,
            layout.ninth,
            layout.big,
            layout.shift,
            layout.width,
            layout.signed,
            np.array([kind for _, kind in ordered], np.int64),
            np.array([float(s.scale) for s, _ in ordered]),
            np.array([float(s.offset) for s, _ in ordered]),
            np.array([_wrapped(s.scale) if k == WHOLE else 1 for s, k in ordered], np.int64),
            np.array([_wrapped(s.offset) if k == WHOLE else 0 for s, k in ordered], np.int64),
        )

    def __call__(self, table: FrameTable, rows: I64) -> list[Array]:
        """One array for each signal, of the shape of ``rows``; what is not sent reads as zero."""
        from busplan.decode.kernels import extract

        bits = np.empty((len(self._signals), len(rows)), np.int64)
        extract(
            _read_only(rows, np.dtype(np.int64)),
            _read_only(table.start, np.dtype(np.int64)),
            _read_only(table.length, table.length.dtype),
            _read_only(table.flags, np.dtype(np.uint8)),
            np.uint8(REMOTE),
            _read_only(table.payload, np.dtype(np.uint8)),
            *self._arguments,
            bits,
            bits.view(np.float64),
        )
        pairs = zip(self._signals, bits, strict=True)
        if self._raw:
            return [column.view(raw_dtype(signal)) for signal, column in pairs]
        return [
            _scaled_floats(signal, column) if signal.is_float else column.view(value_dtype(signal))
            for signal, column in pairs
        ]


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


def _read_only(array: Array, dtype: np.dtype[Any]) -> Array:
    """A contiguous read-only view: memory maps and arrays then share one compiled kernel."""
    view = np.ascontiguousarray(array, dtype).view()
    view.flags.writeable = False
    return view
