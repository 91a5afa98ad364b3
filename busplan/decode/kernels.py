"""The compiled extraction of signals from payloads."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from busplan.kernels import kernel

I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
U8 = npt.NDArray[np.uint8]
U32 = npt.NDArray[np.uint32]

BLOCK = 2048
"""Frames handled at a time, so that their payload words stay in the processor's first cache."""


@kernel
def extract(
    rows: I64,
    start: I64,
    length: U8 | U32,
    flags: U8,
    remote: np.uint8,
    payload: U8,
    order: I64,
    window: I64,
    ninth: I64,
    big: I64,
    shift: I64,
    width: I64,
    signed: I64,
    kind: I64,
    scale: F64,
    offset: F64,
    whole_scale: I64,
    whole_offset: I64,
    bits: I64,
    values: F64,
) -> None:
    """Read signals from the payloads of ``rows`` into ``bits``/``values``, shape (signal, row).

    ``bits`` (int64) and ``values`` (float64) are two views of one memory; ``kind`` says which one
    an entry writes (see ``decode.layout``). Bytes that a frame does not have read as zero.
    """
    words = np.empty(BLOCK, np.uint64)
    swapped = np.empty(BLOCK, np.uint64)
    bytes_ = np.uint64(0x00FF00FF00FF00FF)
    pairs = np.uint64(0x0000FFFF0000FFFF)
    for low in range(0, len(rows), BLOCK):
        count = min(BLOCK, len(rows) - low)
        loaded = -1
        turned = -1
        for s in range(len(order)):
            if window[s] != loaded:
                loaded = window[s]
                for i in range(count):
                    row = rows[low + i]
                    have = 0 if flags[row] & remote else int(length[row]) - loaded
                    word = np.uint64(0)
                    if have >= 8:
                        # Written out, with unsigned positions, this compiles to one load.
                        at = np.uint64(start[row] + loaded)
                        word = (
                            np.uint64(payload[at])
                            | np.uint64(payload[at + np.uint64(1)]) << np.uint64(8)
                            | np.uint64(payload[at + np.uint64(2)]) << np.uint64(16)
                            | np.uint64(payload[at + np.uint64(3)]) << np.uint64(24)
                            | np.uint64(payload[at + np.uint64(4)]) << np.uint64(32)
                            | np.uint64(payload[at + np.uint64(5)]) << np.uint64(40)
                            | np.uint64(payload[at + np.uint64(6)]) << np.uint64(48)
                            | np.uint64(payload[at + np.uint64(7)]) << np.uint64(56)
                        )
                    else:
                        for b in range(have):
                            word |= np.uint64(payload[start[row] + loaded + b]) << np.uint64(8 * b)
                    words[i] = word
            if big[s] and window[s] != turned:
                # The bytes of each word in opposite order: swap neighbours, pairs, halves.
                turned = window[s]
                for i in range(count):
                    word = words[i]
                    word = (word & bytes_) << np.uint64(8) | word >> np.uint64(8) & bytes_
                    word = (word & pairs) << np.uint64(16) | word >> np.uint64(16) & pairs
                    swapped[i] = word << np.uint64(32) | word >> np.uint64(32)
            source = swapped if big[s] else words
            down = np.uint64(shift[s])
            empty = np.uint64(64 - width[s])
            target = bits[order[s], low : low + count]
            if ninth[s] < 0:
                if signed[s]:
                    up = np.uint64(64 - width[s] - shift[s])
                    for i in range(count):
                        target[i] = np.int64(source[i] << up) >> np.int64(empty)
                else:
                    mask = np.uint64(0xFFFFFFFFFFFFFFFF) >> empty
                    for i in range(count):
                        target[i] = np.int64((source[i] >> down) & mask)
            else:
                for i in range(count):
                    row = rows[low + i]
                    last = np.uint64(0)
                    if not flags[row] & remote and length[row] > ninth[s]:
                        last = np.uint64(payload[start[row] + ninth[s]])
                    if big[s]:
                        value = (source[i] << (np.uint64(8) - down)) | (last >> down)
                    else:
                        value = (source[i] >> down) | (last << (np.uint64(64) - down))
                    value = value << empty
                    if signed[s]:
                        target[i] = np.int64(value) >> np.int64(empty)
                    else:
                        target[i] = np.int64(value >> empty)
            # Scaling follows while the block is still in the cache.
            scaled = values[order[s], low : low + count]
            if kind[s] == 1:
                for i in range(count):
                    target[i] = target[i] * whole_scale[s] + whole_offset[s]
            elif kind[s] == 2:
                for i in range(count):
                    scaled[i] = np.float64(target[i]) * scale[s] + offset[s]
            elif kind[s] == 3:
                for i in range(count):
                    scaled[i] = np.float64(np.uint64(target[i])) * scale[s] + offset[s]
