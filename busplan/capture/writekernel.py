"""Kernel that writes the text log: columns to bytes, in the grammar of :mod:`textkernels`."""

from __future__ import annotations

from typing import Any

import numpy as np

from busplan.frames.kinds import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, SENT
from busplan.kernels import kernel

HEX_DIGIT = np.frombuffer(b"0123456789ABCDEF", np.uint8)
_BUS_ERROR = 0x80
_ERROR_BIT = 0x2000_0000
_NEWLINE, _SPACE = 10, 32


@kernel
def format_lines(
    out: Any,
    time_ns: Any,
    network: Any,
    identifier: Any,
    flags: Any,
    length: Any,
    start: Any,
    payload: Any,
    names: Any,
    name_length: Any,
    digits: int,
    direction: bool,
) -> int:
    """Write one line a frame into ``out`` (large enough); return the bytes written.

    ``digits`` is the number of decimals of the time; ``direction`` adds the ``R``/``T`` suffix.
    """
    p = 0
    unit = 10 ** (9 - digits)
    for row in range(len(time_ns)):
        stamp = time_ns[row] // unit
        out[p] = 40
        p += 1
        # Ten digits before the point, as recorders write seconds since 1970.
        for i in range(10 + digits, -1, -1):
            if i == 10:
                out[p + i] = 46
            else:
                out[p + i] = 48 + stamp % 10
                stamp //= 10
        p += 11 + digits
        out[p] = 41
        out[p + 1] = _SPACE
        p += 2
        channel = network[row]
        for i in range(name_length[channel]):
            out[p + i] = names[channel, i]
        p += name_length[channel]
        out[p] = _SPACE
        p += 1
        flag = flags[row]
        value = np.int64(identifier[row])
        width = 3
        if flag & ERROR:
            # Other readers take an error frame without a class for data (Linux can/error.h).
            value |= _ERROR_BIT | (value == 0) * _BUS_ERROR
            width = 8
        elif flag & EXTENDED:
            width = 8
        for i in range(width - 1, -1, -1):
            out[p + i] = HEX_DIGIT[value & 15]
            value >>= 4
        p += width
        out[p] = 35
        p += 1
        if flag & REMOTE:
            out[p] = 82
            p += 1
            if length[row]:
                out[p] = 48 + length[row]
                p += 1
        else:
            if flag & FD:
                out[p] = 35
                out[p + 1] = 48 + ((flag & BRS) // BRS) + 2 * ((flag & ESI) // ESI)
                p += 2
            at = start[row]
            for i in range(length[row]):
                byte = payload[at + i]
                out[p] = HEX_DIGIT[byte >> 4]
                out[p + 1] = HEX_DIGIT[byte & 15]
                p += 2
        if direction:
            out[p] = _SPACE
            out[p + 1] = 84 if flag & SENT else 82
            p += 2
        out[p] = _NEWLINE
        p += 1
    return p
