"""The compiled counter of exact bits, and its tables.

The rules of this file: a *run state* says which bit the wire last carried and how many times in a
row: ``2 * (run - 1) + bit``, run 1 to 5. A run of five is followed by a stuff bit as soon as the
next bit comes, so the stuff bit is counted with that next bit; whether one follows the very last
bit is for the caller to say. A table entry is ``state after << 2 | stuff bits``. Tables are signed,
because numba turns mixed signedness into floats.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from busplan.frames.kinds import BRS, ERROR, ESI, EXTENDED, FD, FD_LENGTHS, REMOTE
from busplan.kernels import kernel
from busplan.wire.bits import CRC_15
from busplan.wire.lengths import ERROR_BITS_NOMINAL, dlc_of, nominal_bits

IDLE_RUN = 1
"""A single recessive bit: what SOF follows, for stuffing."""


def _run_table(width: int) -> npt.NDArray[np.int32]:
    """What ``width`` bits do to each run state: shape ``(10 * 2**width,)``."""
    table = np.empty((10, 1 << width), np.int32)
    for start in range(10):
        for value in range(1 << width):
            run, last, stuff = start // 2 + 1, start % 2, 0
            for k in reversed(range(width)):
                bit = value >> k & 1
                if run == 5:
                    stuff += 1
                    run, last = 1, 1 - last
                run = run + 1 if bit == last else 1
                last = bit
            table[start, value] = (2 * (run - 1) + last) << 2 | stuff
    return table.reshape(-1)


def _crc_table() -> npt.NDArray[np.int32]:
    """CRC-15 of each byte, shape ``(256,)``."""
    table = np.empty(256, np.int32)
    for value in range(256):
        crc = value << 7
        for _ in range(8):
            crc = (crc << 1) ^ (CRC_15.polynomial if crc & 0x4000 else 0)
        table[value] = crc & 0x7FFF
    return table


_BYTE = _run_table(8)
_FIVE = _run_table(5)
_CRC = _crc_table()
_LENGTH = np.array([FD_LENGTHS[dlc_of(n, fd=True)] for n in range(65)], np.int64)
_DLC = np.array([dlc_of(n, fd=True) for n in range(65)], np.int64)
_FD_BITS = np.array(
    [
        [nominal_bits(n, extended=extended, fd=True, switched=True) for n in range(65)]
        for extended in (False, True)
    ],
    np.int64,
)


@kernel
def count_bits(
    identifier: Any,
    flags: Any,
    length: Any,
    start: Any,
    payload: Any,
    arbitration: Any,
    data: Any,
) -> None:
    """Fill ``arbitration`` and ``data`` for frames given as the columns of a frame table."""
    for row in range(len(identifier)):
        flag = flags[row]
        if flag & ERROR:
            arbitration[row], data[row] = ERROR_BITS_NOMINAL, 0
            continue
        ident: Any = np.int64(identifier[row])
        extended = flag & EXTENDED
        remote = 1 if flag & REMOTE else 0
        at = start[row]
        size: Any = np.int64(min(length[row], 64))

        if flag & FD:
            # SOF to BRS, headed by recessive and dominant bits in turn to make whole bytes.
            brs = 1 if flag & BRS else 0
            if extended:
                header = 0xB << 36 | (ident >> 18) << 24 | 3 << 22 | (ident & 0x3FFFF) << 4
                shift = 32
            else:
                header = 0x55 << 17 | ident << 5
                shift = 16
            header |= 4 | brs
            state = IDLE_RUN
            early = 0
            while shift >= 0:
                step = _BYTE[state << 8 | (header >> shift) & 0xFF]
                early += step & 3
                state = step >> 2
                shift -= 8
            sent = _LENGTH[size]
            step = _FIVE[state << 5 | (16 if flag & ESI else 0) | _DLC[size]]
            late = np.int64(step & 3)
            state = step >> 2
            for k in range(size):
                step = _BYTE[state << 8 | payload[at + k]]
                late += step & 3
                state = step >> 2
            for _ in range(sent - size):
                step = _BYTE[state << 8]
                late += step & 3
                state = step >> 2
            slow = _FD_BITS[1 if extended else 0, size, 0] + early
            fast = _FD_BITS[1 if extended else 0, size, 1] + late
            if brs:
                arbitration[row], data[row] = slow, fast
            else:
                arbitration[row], data[row] = slow + fast, 0
            continue

        size = min(size, 8)
        if extended:
            header = (ident >> 18) << 27 | 3 << 25 | (ident & 0x3FFFF) << 7 | remote << 6 | size
            lead, shift, bits = 1 << 39, 32, 67
        else:
            header = ident << 7 | remote << 6 | size
            lead, shift, bits = 0x15 << 19, 16, 47
        if remote:
            size = 0
        bits += 8 * size
        state = IDLE_RUN
        crc = 0
        headed = header | lead
        while shift >= 0:
            step = _BYTE[state << 8 | (headed >> shift) & 0xFF]
            bits += step & 3
            state = step >> 2
            crc = (crc << 8 & 0x7F00) ^ _CRC[(crc >> 7) ^ ((header >> shift) & 0xFF)]
            shift -= 8
        for k in range(size):
            byte = payload[at + k]
            step = _BYTE[state << 8 | byte]
            bits += step & 3
            state = step >> 2
            crc = (crc << 8 & 0x7F00) ^ _CRC[(crc >> 7) ^ byte]
        step = _BYTE[state << 8 | crc >> 7]
        bits += step & 3
        # The seven lower CRC bits, and a recessive one in place of the CRC delimiter: it brings in
        # the stuff bit that follows a run of five at the very end of the CRC.
        step = _BYTE[(step >> 2) << 8 | (crc << 1 & 0xFE) | 1]
        bits += step & 3
        arbitration[row], data[row] = bits, 0
