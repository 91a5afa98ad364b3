"""A slow twin of the codec: one frame, one signal, one bit at a time, in plain Python.

It follows the bit numbering of a DBC file (see ``busplan.definitions.model``) and shares nothing
with the fast codec but the definitions.
"""

import struct
from fractions import Fraction
from typing import Any

from busplan.definitions.model import Message, Signal


def slow_raw(signal: Signal, payload: bytes) -> int | None:
    """The raw bits as an integer, or ``None`` when the frame does not carry all of them."""
    value = 0
    bit = signal.start
    for i in range(signal.length):
        if bit // 8 >= len(payload):
            return None
        one = payload[bit // 8] >> (bit % 8) & 1
        if signal.big_endian:
            value = value << 1 | one
            # Down within the byte, then to the top of the next one.
            bit = bit - 1 if bit % 8 else bit + 15
        else:
            value |= one << i
            bit += 1
    if signal.signed and not signal.is_float and value >> (signal.length - 1):
        value -= 1 << signal.length
    return value


def slow_present(message: Message, signal: Signal, payload: bytes) -> bool:
    """Whether the frame carries the signal."""
    if slow_raw(signal, payload) is None:
        return False
    condition = signal.condition
    if condition is None or not message.has(condition.selector):
        return True
    selector = message.signal(condition.selector)
    if not slow_present(message, selector, payload):
        return False
    raw = slow_raw(selector, payload)
    return any(low <= raw <= high for low, high in condition.ranges)


def slow_value(signal: Signal, payload: bytes) -> Any:
    """The physical value in the type Python's own arithmetic gives it."""
    raw: Any = slow_raw(signal, payload)
    if signal.is_float:
        size = signal.length // 8
        letter = {2: "e", 4: "f", 8: "d"}[size]
        raw = struct.unpack(f"<{letter}", raw.to_bytes(size, "little"))[0]
        return (
            raw if (signal.scale, signal.offset) == (1, 0) else raw * signal.scale + signal.offset
        )
    scale, offset = Fraction(signal.scale), Fraction(signal.offset)
    if scale.denominator == offset.denominator == 1:
        return raw * int(scale) + int(offset)
    return raw * signal.scale + signal.offset
