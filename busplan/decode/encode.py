"""From physical values to payload bytes: the inverse of ``decode.codec``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from busplan.decode.layout import is_integral
from busplan.definitions.model import Message, Signal, raw_range
from busplan.errors import UsageError
from busplan.wording import plain


def encode_message(
    message: Message, values: Mapping[str, npt.ArrayLike], n: int
) -> npt.NDArray[np.uint8]:
    """Payloads of ``n`` frames, uint8 ``(n, message.length)``; bits of signals not given are zero.

    ``values`` are physical values, arrays of shape ``(n,)`` or single numbers; they are rounded to
    the nearest raw value, ties to even; those of text signals are texts. A multiplexed signal is
    written only in frames whose selector admits it. ``UsageError`` when a signal is unknown or lies
    beyond the message, or a value does not fit its bits.
    """
    unknown = [name for name in values if not message.has(name)]
    if unknown:
        raise UsageError(f"{message.name} has no signal {', '.join(unknown)}")
    numbers = {name: v for name, v in values.items() if not message.signal(name).is_text}
    raws = {name: _raw(message.signal(name), np.asarray(v), n) for name, v in numbers.items()}
    payload = np.zeros((n, message.length), np.uint8)
    for name in values.keys() - raws.keys():
        signal = message.signal(name)
        first, last = signal.start // 8, signal.last_byte
        if last >= message.length:
            raise UsageError(f"{name} lies beyond the {message.length} bytes of {message.name}")
        mask = _written(message, signal, raws, n)
        payload[mask, first : last + 1] = _characters(signal, np.asarray(values[name]), n)[mask]
    for name, raw in raws.items():
        signal = message.signal(name)
        if max(signal.bits()) >= 8 * message.length:
            raise UsageError(f"{name} lies beyond the {message.length} bytes of {message.name}")
        mask = _written(message, signal, raws, n)
        for position, bit in enumerate(signal.bits()):
            column = (raw >> np.uint64(position) & np.uint64(1)).astype(np.uint8)
            payload[mask, bit // 8] |= (column << (bit % 8))[mask]
    return payload


def _written(
    message: Message, signal: Signal, raws: Mapping[str, npt.NDArray[np.uint64]], n: int
) -> npt.NDArray[np.bool_]:
    """The frames in which a signal is on the wire."""
    mask = np.ones(n, np.bool_)
    condition = signal.condition
    if condition is None or not message.has(condition.selector):
        return mask
    selector = message.signal(condition.selector)
    chosen = raws.get(selector.name, np.zeros(n, np.uint64))
    mask[:] = False
    for low, high in condition.ranges:
        mask |= (chosen >= low) & (chosen <= high)
    return mask & _written(message, selector, raws, n)


def _raw(signal: Signal, physical: npt.NDArray[Any], n: int) -> npt.NDArray[np.uint64]:
    """The bits of a signal's values, as uint64 (negative numbers in two's complement)."""
    column = np.broadcast_to(physical, (n,))
    if signal.is_float:
        number = (column.astype(np.float64) - signal.offset) / signal.scale
        size = signal.length // 8
        return number.astype(f"f{size}").view(f"u{size}").astype(np.uint64)
    whole = is_integral(signal.scale) and is_integral(signal.offset)
    if whole and np.issubdtype(column.dtype, np.integer):
        raw = _divide(column, int(signal.scale), int(signal.offset))
    else:
        # np.rint rounds half to even, as Python's round() does.
        raw = np.rint((column.astype(np.float64) - signal.offset) / signal.scale)
    low, high = raw_range(signal)
    wrong = ~((raw >= low) & (raw <= high))
    if wrong.any():
        first = int(np.flatnonzero(wrong)[0])
        ends = sorted((low * signal.scale + signal.offset, high * signal.scale + signal.offset))
        raise UsageError(
            f"{signal.name}: {column[first]} does not fit its {signal.length} bits, "
            f"which hold {plain(ends[0], 10)} to {plain(ends[1], 10)}"
        )
    if signal.signed:
        return raw.astype(np.int64).astype(np.uint64)
    return raw.astype(np.uint64)


def _characters(signal: Signal, texts: npt.NDArray[Any], n: int) -> npt.NDArray[np.uint8]:
    """The bytes of a text signal, filled up with blanks, shape ``(n, bytes)``."""
    size = signal.length // 8
    different, which = np.unique(np.broadcast_to(texts.astype(str), (n,)), return_inverse=True)
    rows = []
    for text in different.tolist():
        try:
            content = text.encode("latin-1")
        except UnicodeEncodeError:
            raise UsageError(f"{signal.name}: {text!r} is not ISO 8859-1") from None
        if len(content) > size:
            raise UsageError(f"{signal.name}: {text!r} does not fit its {size} bytes")
        rows.append(content.ljust(size))
    return np.frombuffer(b"".join(rows), np.uint8).reshape(len(rows), size)[which]


def _divide(column: npt.NDArray[Any], scale: int, offset: int) -> npt.NDArray[Any]:
    """``(column - offset) / scale`` without leaving integers while they divide evenly."""
    if scale == 1 and offset == 0:
        return column
    shifted = column.astype(np.int64) - offset
    quotient, rest = np.divmod(shifted, scale)
    if rest.any():
        return np.where(rest == 0, quotient, np.rint(shifted / scale)).astype(np.int64)
    return quotient
