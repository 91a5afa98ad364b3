"""Where the signals of a message lie, compiled to what the extraction kernel wants.

The rules of this file: nothing here touches frames. A message is read through *windows*, eight
payload bytes from a first byte on; a signal is a shift and a width within one window. Only a signal
that touches nine bytes (57 bits or more, not on byte borders) needs the position of its ninth byte,
too.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from busplan.definitions.model import Signal, raw_range

BITS, WHOLE, SCALED, SCALED_UNSIGNED = range(4)
"""What the kernel makes of a raw integer: keep it, scale it as an integer, or scale it as float64,
read as a signed or as an unsigned 64-bit number."""

ORDER, WINDOW, NINTH, BIG, SHIFT, WIDTH, SIGN, KIND, WHOLE_SCALE, WHOLE_OFFSET = range(10)
"""Columns of the kernel's table, one row a signal: a :class:`Reading`, the width [bit], the sign
bit (0 for unsigned signals), what to make of it, and its scale and offset as whole numbers."""

_U64 = range(1 << 64)
_I64 = range(-(1 << 63), 1 << 63)


class Place(NamedTuple):
    """Bytes a signal touches (``first`` to ``last``) and how far its lowest bit is shifted.

    The shift counts from the lowest bit of the ``last - first + 1`` bytes read as one number in the
    signal's byte order.
    """

    first: int
    last: int
    shift: int


def place_of(signal: Signal) -> Place:
    """The bytes and the shift of a signal (DBC bit numbering, see ``definitions.model``)."""
    first = signal.start // 8
    if not signal.big_endian:
        return Place(first, (signal.start + signal.length - 1) // 8, signal.start % 8)
    end = 7 - signal.start % 8 + signal.length
    last = first + (end - 1) // 8
    return Place(first, last, (last - first + 1) * 8 - end)


def is_integral(number: float | int) -> bool:
    """Whether a scale or offset is a whole number, whatever its type."""
    return isinstance(number, int) or float(number).is_integer()


def value_dtype(signal: Signal) -> np.dtype[Any]:
    """The type of a signal's physical values.

    Integers stay integers (int64, or uint64 when they do not fit it) as long as scale and offset
    are whole numbers and no possible value leaves 64 bits; text is objects; all else is float64.
    """
    if signal.is_text:
        return np.dtype(object)
    if signal.is_float or not (is_integral(signal.scale) and is_integral(signal.offset)):
        return np.dtype(np.float64)
    scale, offset = int(signal.scale), int(signal.offset)
    ends = [raw * scale + offset for raw in raw_range(signal)]
    if min(ends) in _I64 and max(ends) in _I64:
        return np.dtype(np.int64)
    if min(ends) in _U64 and max(ends) in _U64:
        return np.dtype(np.uint64)
    return np.dtype(np.float64)


def raw_dtype(signal: Signal) -> np.dtype[Any]:
    """The type of a signal's raw values: int64, or uint64 for unsigned 64-bit and float bits."""
    wide = signal.is_float or (signal.length == 64 and not signal.signed)
    return np.dtype(np.uint64 if wide else np.int64)


class Reading(NamedTuple):
    """How the extraction kernel finds a signal.

    ``order`` is its position among the signals asked for; ``window`` the first byte of the window;
    ``ninth`` the position of a ninth byte or -1; ``shift`` [bit] as in :class:`Place`, counted in
    the window.
    """

    order: int
    window: int
    ninth: int
    big: bool
    shift: int


def readings(signals: Sequence[Signal]) -> list[Reading]:
    """Where ``signals`` are read, those of one window and byte order side by side."""
    found = []
    for order, signal in enumerate(signals):
        place = place_of(signal)
        count = place.last - place.first + 1
        # Signals inside one aligned group of eight bytes share its window.
        aligned = place.first - place.first % 8
        window = aligned if place.last < aligned + 8 else place.first
        ninth = place.last if count == 9 else -1
        if count == 9:
            shift = place.shift
        elif signal.big_endian:
            shift = place.shift + 8 * (window + 7 - place.last)
        else:
            shift = place.shift + 8 * (place.first - window)
        found.append(Reading(order, window, ninth, signal.big_endian, shift))
    return sorted(found, key=lambda r: (r.window, r.big, r.order))
