"""The compiled extraction of signals from payloads.

One pass over the frames, block by block: where each payload lies, how much of it was sent and when
(gathered once), then eight payload bytes of each frame as one word, then every signal of those
bytes by shift and mask, scaled while the block is still in the processor's caches.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from busplan.decode.layout import (
    BIG,
    BITS,
    KIND,
    NINTH,
    ORDER,
    SCALED,
    SHIFT,
    SIGN,
    WHOLE,
    WHOLE_OFFSET,
    WHOLE_SCALE,
    WIDTH,
    WINDOW,
)
from busplan.frames.columns import F64, I64, U8, U32
from busplan.frames.words import byte_swapped, load_word
from busplan.kernels import kernel

BLOCK = 4096
"""Frames handled at a time. Small blocks are slower: the loads of a long run wait side by side."""

_ALL = np.uint64(0xFFFF_FFFF_FFFF_FFFF)
_ONE, _8, _64 = np.uint64(1), np.uint64(8), np.uint64(64)


@kernel
def extract(
    rows: I64,
    time_ns: I64,
    start: I64,
    length: U8 | U32,
    flags: U8,
    remote: np.uint8,
    payload: U8,
    defined: int,
    places: I64,
    factors: F64,
    times: I64,
    bits: I64,
    values: F64,
) -> tuple[int, int, int, int]:
    """Read signals from the payloads of ``rows`` into ``bits``/``values``, shape (signal, row).

    ``bits`` (int64) and ``values`` (float64) are two views of one memory; the kind of an entry says
    which one it writes. ``places`` has the columns named in ``decode.layout``, ``factors`` scale
    and offset. Bytes that a frame does not have read as zero. ``times`` receives the times.

    Returns the fewest bytes any frame has (a remote frame has none), how many frames are shorter
    and how many longer than ``defined``, and how many are remote (these are in neither count).
    """
    at = np.empty(BLOCK, np.int64)
    sent = np.empty(BLOCK, np.int64)
    words = np.empty(BLOCK, np.uint64)
    turned = np.empty(BLOCK, np.uint64)
    joined = np.empty(BLOCK, np.uint64)
    shortest, short, long, remotes = 1 << 40, 0, 0, 0
    for low in range(0, len(rows), BLOCK):
        count = min(BLOCK, len(rows) - low)
        here = rows[low : low + count]
        when = times[low : low + count]
        least = 1 << 40
        for i in range(count):
            row = np.uint64(here[i])
            have = int(length[row])
            if flags[row] & remote:
                have = 0
                remotes += 1
            elif have < defined:
                short += 1
            elif have > defined:
                long += 1
            at[i] = start[row]
            sent[i] = have
            when[i] = time_ns[row]
            if have < least:
                least = have
        shortest = min(shortest, least)
        loaded = -1
        swapped = -1
        for s in range(len(places)):
            window = places[s, WINDOW]
            big = places[s, BIG]
            if window != loaded:
                loaded = window
                if least >= window + 8:
                    for i in range(count):
                        words[i] = load_word(payload, at[i] + window)
                else:
                    for i in range(count):
                        words[i] = _part(payload, at[i] + window, sent[i] - window)
            if big and window != swapped:
                swapped = window
                for i in range(count):
                    turned[i] = byte_swapped(words[i])
            source = turned if big else words
            down = np.uint64(places[s, SHIFT])
            ninth = places[s, NINTH]
            if ninth >= 0:
                for i in range(count):
                    last = np.uint64(payload[at[i] + ninth]) if sent[i] > ninth else np.uint64(0)
                    if big:
                        joined[i] = (source[i] << (_8 - down)) | (last >> down)
                    else:
                        joined[i] = (source[i] >> down) | (last << (_64 - down))
                source = joined
                down = np.uint64(0)
            mask = _ALL >> np.uint64(64 - places[s, WIDTH])
            # (x ^ sign) - sign extends the sign of a signed x, and keeps an unsigned one (sign 0).
            sign = np.uint64(places[s, SIGN])
            kind = places[s, KIND]
            whole = bits[places[s, ORDER], low : low + count]
            real = values[places[s, ORDER], low : low + count]
            scale, offset = factors[s, 0], factors[s, 1]
            if kind == BITS:
                for i in range(count):
                    whole[i] = np.int64((((source[i] >> down) & mask) ^ sign) - sign)
            elif kind == WHOLE:
                whole_scale, whole_offset = places[s, WHOLE_SCALE], places[s, WHOLE_OFFSET]
                for i in range(count):
                    raw = np.int64((((source[i] >> down) & mask) ^ sign) - sign)
                    whole[i] = raw * whole_scale + whole_offset
            elif kind == SCALED:
                for i in range(count):
                    raw = np.int64((((source[i] >> down) & mask) ^ sign) - sign)
                    real[i] = np.float64(raw) * scale + offset
            else:
                for i in range(count):
                    real[i] = np.float64((source[i] >> down) & mask) * scale + offset
    return shortest, short, long, remotes


@kernel
def _part(payload: U8, at: int, have: int) -> Any:
    """The first ``have`` of the eight bytes from ``at`` on as a word, the others zero."""
    if have <= 0:
        return np.uint64(0)
    if have >= 8:
        return load_word(payload, at)
    if at + 8 <= len(payload):
        return load_word(payload, at) & ((_ONE << np.uint64(8 * have)) - _ONE)
    word = np.uint64(0)
    for b in range(have):
        word |= np.uint64(payload[at + b]) << np.uint64(8 * b)
    return word
