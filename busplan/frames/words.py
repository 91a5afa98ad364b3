"""Eight bytes at a time for kernels: unaligned loads and stores, digits read all at once.

The rules of this file: a word holds the first byte in its lowest 8 bits, whatever the machine's
byte order; every function is branch-free arithmetic on all eight bytes together.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any, cast

import numpy as np
from llvmlite import ir
from numba import extending, types
from numba.core import cgutils
from numba.np import arrayobj

from busplan.kernels import kernel

_intrinsic = cast(Callable[[Any], Any], extending.intrinsic)
_arrays: Any = arrayobj
_builders: Any = cgutils
_WORD = ir.IntType(64)


def _address(context: Any, builder: Any, kind: Any, array: Any, index: Any) -> Any:
    data = _arrays.make_array(kind)(context, builder, array).data
    place = _builders.pointer_add(builder, data, index)
    return builder.bitcast(place, _WORD.as_pointer())


@_intrinsic
def load_word(typing: Any, array: Any, index: Any) -> Any:
    """``array[index:index + 8]`` of a contiguous uint8 array as one uint64, no bounds checked."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        word = builder.load(
            _address(context, builder, signature.args[0], arguments[0], arguments[1])
        )
        word.align = 1
        return word if sys.byteorder == "little" else builder.bswap(word)

    return types.uint64(array, types.int64), generate


@_intrinsic
def store_word(typing: Any, array: Any, index: Any, value: Any) -> Any:
    """Put one uint64 at ``array[index:index + 8]``, no bounds checked."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        word = arguments[2] if sys.byteorder == "little" else builder.bswap(arguments[2])
        stored = builder.store(
            word, _address(context, builder, signature.args[0], arguments[0], arguments[1])
        )
        stored.align = 1
        return context.get_dummy_value()

    return types.void(array, types.int64, types.uint64), generate


@_intrinsic
def byte_swapped(typing: Any, word: Any) -> Any:
    """The word with its bytes in opposite order."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.bswap(arguments[0])

    return types.uint64(types.uint64), generate


def _each(byte: int) -> np.uint64:
    return np.uint64(byte * 0x0101_0101_0101_0101)


_HIGH, _SEVEN, _LOW, _ONE = _each(0x80), _each(0x7F), _each(0x0F), _each(0x01)
_TOP, _ZERO, _CASE, _LETTER = _each(0xF0), _each(0x30), _each(0x20), _each(0x60)
_OVER_NINE, _OVER_SIX, _SIX = _each(0x76), _each(0x79), _each(0x06)
_PAIRS = np.uint64(0x00FF_00FF_00FF_00FF)
_QUADS = np.uint64(0x0000_FFFF_0000_FFFF)
_EVEN_BYTES = np.uint64(0x00FF_00FF)
_HALF = np.uint64(0xFFFF_FFFF)
_U4, _U6, _U8, _U16, _U32 = (np.uint64(n) for n in (4, 6, 8, 16, 32))
_U9, _U10, _U100, _U255, _U10000 = (np.uint64(n) for n in (9, 10, 100, 255, 10000))


@kernel
def all_decimal(word: Any) -> Any:
    """Whether all eight bytes are decimal digits."""
    return ((word & _TOP) == _ZERO) & (((word + _SIX) & _TOP) == _ZERO)


@kernel
def decimal(word: Any) -> Any:
    """The number that eight decimal digits write."""
    word &= _LOW
    word = (word * _U10 + (word >> _U8)) & _PAIRS
    word = (word * _U100 + (word >> _U16)) & _QUADS
    return (word * _U10000 + (word >> _U32)) & _HALF


@kernel
def not_hexadecimal(word: Any) -> Any:
    """Bit 7 of each byte that is no hexadecimal digit; 0 when all eight are."""
    letters = ((word >> _U6) & _ONE) * _U255
    x = word ^ _ZERO  # digits become 0 to 9
    y = (word | _CASE) ^ _LETTER  # letters of either case become 1 to 6
    bad_digit = ((x & _SEVEN) + _OVER_NINE) | x
    bad_letter = ((y & _SEVEN) + _OVER_SIX) | ~((y & _SEVEN) + _SEVEN) | y
    return ((bad_digit & ~letters) | (bad_letter & letters)) & _HIGH


@kernel
def hexadecimal(word: Any) -> Any:
    """The four bytes that eight hexadecimal digits write, the first in the lowest 8 bits."""
    value = (word & _LOW) + ((word >> _U6) & _ONE) * _U9
    value = ((value << _U4) | (value >> _U8)) & _PAIRS
    value = (value | (value >> _U8)) & _QUADS
    return (value | (value >> _U16)) & _HALF


@kernel
def hexadecimal_value(word: Any) -> Any:
    """The number that eight hexadecimal digits write."""
    value = hexadecimal(word)
    value = ((value & _EVEN_BYTES) << _U8) | ((value >> _U8) & _EVEN_BYTES)
    return ((value << _U16) | (value >> _U16)) & _HALF
