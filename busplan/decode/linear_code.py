"""Whether checksum bits are some linear code of all other bits, whatever its polynomial.

Every CRC and every exclusive or, with any polynomial, start value, order of bits and identifier
mixed in, is an affine function over GF(2): of payloads of one length, when some of them add up to
nothing, so do their checksums. That needs no list of kinds. Sums with a carry are not linear.
(Linearity of the CRC: Koopman and Chakravarty, DSN 2004; quoted from memory.)
"""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import I64, U8

MOST = 1_500
"""Different payloads that are looked at."""
LEAST_BITS = 32
"""So many bits have to be foretold, each of which is right by chance in one of two cases."""
LEAST_SHARE = 0.9
"""Part of the foretold payloads that has to agree."""
TRIES = 8
"""Bases that are tried: one with a wrong payload in it foretells nothing."""


def linear_misfits(payloads: U8, mask: int) -> I64 | None:
    """Rows whose checksum bits are not the linear function of the others that the rest agrees on.

    ``payloads`` is uint8 ``(n, length)``; ``mask`` has the checksum bits, of the payload as one
    little-endian number. ``None`` when there is no such function, or too little to tell.
    """
    first: dict[int, int] = {}
    for row, payload in enumerate(payloads[: 10 * MOST]):
        first.setdefault(int.from_bytes(payload.tobytes(), "little"), row)
        if len(first) >= MOST:
            break
    words = [(number & ~mask, number & mask) for number in first]
    rows = np.array(list(first.values()), np.int64)
    best: list[int] | None = None
    for seed in range(TRIES):
        order = np.random.default_rng(seed).permutation(len(words)).tolist()
        misfits, foretold = _misfits(words, order)
        if foretold * mask.bit_count() < LEAST_BITS:
            return None
        agrees = len(misfits) <= (1 - LEAST_SHARE) * foretold
        if agrees and (best is None or len(misfits) < len(best)):
            best = misfits
        if best == []:
            break
    return None if best is None else rows[sorted(best)]


def _misfits(words: list[tuple[int, int]], order: list[int]) -> tuple[list[int], int]:
    """Words that the ones before them foretell wrongly, and how many are foretold at all.

    The first of the order that are independent make the basis; differences from the very first
    one take the constant away.
    """
    zero, zero_sum = words[order[0]]
    basis: dict[int, tuple[int, int]] = {}
    misfits, foretold = [], 0
    for place in order[1:]:
        word, total = words[place][0] ^ zero, words[place][1] ^ zero_sum
        while word:
            pivot = basis.get(word.bit_length())
            if pivot is None:
                basis[word.bit_length()] = word, total
                break
            word, total = word ^ pivot[0], total ^ pivot[1]
        else:
            foretold += 1
            if total:
                misfits.append(place)
    return misfits, foretold
