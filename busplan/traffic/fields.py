"""Likely physical values in payloads nobody has defined: where they lie and in which byte order.

The rules of this file: guesses from how bits move, nothing else. Within a byte a new value begins
where, from high bits to low, the bits suddenly move less often: in one number lower bits move at
least as often as higher ones. Two pieces side by side are one number when the upper one moves just
when the lower one runs over. Only bits that move can be told: a wide value that hardly changed is
found as narrow as it moved.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import I64, U8

_SMOOTH = 0.12
"""A likely value moves, from frame to frame, by less than this part of its range on average."""
_LEAST_VALUES = 6
"""Fewer different values look like a state, not like a quantity."""
_LEAST_FRAMES = 16
_DROP = 0.5
"""Bits that move less than this part of what the next higher one does belong to another value."""
_TOGETHER = 0.3
"""Pieces are one number when so much of their unrest goes away by reading them as one."""

_RUNS_OVER = 0.9
"""How sure two parts are one number when the upper one moves just as the lower one runs over."""
_FEWEST_JUMPS, _AGREE = 2, 0.9
"""So often it must have, and in this part of the cases."""
_ORDER = 0.1
"""What the byte order of the rest of the payload adds to a pair in that order."""


@dataclass(frozen=True, slots=True)
class LikelyValue:
    """Bits that behave like one physical quantity; ``low`` and ``high`` are raw values seen.

    ``start`` and ``length`` as in a DBC file: ``start`` is the lowest bit of a little-endian value
    and the highest of a big-endian one. Within one byte the order means nothing and is false.
    """

    start: int
    length: int
    big_endian: bool
    signed: bool
    low: int
    high: int
    page: int | None = None
    """The page of the message that carries it, ``None``: every frame does."""

    def __str__(self) -> str:
        page = "" if self.page is None else f"page {self.page}, "
        return page + self._place()

    def _place(self) -> str:
        kind = f"{'signed' if self.signed else 'unsigned'} {self.length} bit"
        seen = f"{self.low} to {self.high}"
        places = positions(self.start, self.length, self.big_endian)
        top, bottom = divmod(places[0], 8), divmod(places[-1], 8)
        if top[0] == bottom[0]:
            within = "" if self.length == 8 else f" bits {top[1]}-{bottom[1]}"
            return f"byte {top[0]}{within}: {kind}, {seen}"
        first, last = sorted((top[0], bottom[0]))
        order = "big-endian" if self.big_endian else "little-endian"
        ends = [f" from byte {top[0]} bit {top[1]}"] * (top[1] < 7)
        ends += [f" to byte {bottom[0]} bit {bottom[1]}"] * (bottom[1] > 0)
        return f"bytes {first}-{last}: {kind} {order}{''.join(ends)}, {seen}"


@dataclass(frozen=True)
class _Piece:
    """Moving bits side by side in one byte, from ``top`` down to ``bottom``."""

    byte: int
    top: int
    bottom: int

    @property
    def length(self) -> int:
        return self.top - self.bottom + 1

    def of(self, sample: U8) -> I64:
        """Its number in every frame."""
        return sample[:, self.byte].astype(np.int64) >> self.bottom & ((1 << self.length) - 1)


Chain = tuple[_Piece, ...]
"""Pieces that are one number, highest first."""


def likely_values(sample: U8, claimed: set[int]) -> Iterator[LikelyValue]:
    """Values in ``sample`` (frame, byte), in the order of their bytes.

    ``claimed`` holds the bits that are something else (byte * 8 + bit).
    """
    if len(sample) < _LEAST_FRAMES:
        return
    moves = np.unpackbits(sample[1:] ^ sample[:-1], axis=1, bitorder="little").mean(axis=0)
    moves[[bit for bit in claimed if bit < len(moves)]] = 0
    pieces = [p for byte in range(sample.shape[1]) for p in _pieces(byte, moves)]
    for chain in sorted(_chains(sample, pieces), key=lambda c: min(p.byte for p in c)):
        taken = claimed | {int(bit) for bit in np.flatnonzero(moves)}
        top, *middle = chain
        widened = [_up(top, taken), *middle]
        widened[-1] = _down(widened[-1], taken)
        length = sum(p.length for p in widened)
        values, signed = _signed_or_not(_number(sample, tuple(widened)), length)
        if len(np.unique(values)) >= _LEAST_VALUES and roughness(values) < _SMOOTH:
            big = chain[0].byte < chain[-1].byte
            first = widened[0] if big else widened[-1]
            start = first.byte * 8 + (first.top if big else first.bottom)
            yield LikelyValue(start, length, big, signed, int(values.min()), int(values.max()))


def _pieces(byte: int, moves: npt.NDArray[np.float64]) -> Iterator[_Piece]:
    """The pieces of a byte, from high bits to low."""
    top: int | None = None
    for bit in range(7, -1, -1):
        rate = moves[byte * 8 + bit]
        if top is not None and (not rate or rate < _DROP * moves[byte * 8 + bit + 1]):
            yield _Piece(byte, top, bit + 1)
            top = None
        if rate and top is None:
            top = bit
    if top is not None:
        yield _Piece(byte, top, 0)


def _chains(sample: U8, pieces: list[_Piece]) -> list[Chain]:
    """Pieces that are one number; the surest are joined first.

    Neighbours that move alike (cells of one pack) make either byte order look right here and
    there; the order that the whole payload speaks for then counts a little more.
    """
    chains: list[Chain] = [(piece,) for piece in pieces]
    known: dict[tuple[Chain, Chain], float] = {}
    votes = {-1: 0.0, 0: 0.0, 1: 0.0}

    def worth(pair: tuple[Chain, Chain]) -> float:
        step = _step(pair)
        return known[pair] + _ORDER * (votes[step] > votes[-step])

    while True:
        pairs = [(upper, lower) for upper in chains for lower in chains if _touch(upper, lower)]
        for pair in pairs:
            if pair not in known:
                known[pair] = _sure(sample, *pair)
                votes[_step(pair)] += known[pair]
        pairs = [pair for pair in pairs if known[pair] >= _TOGETHER]
        if not pairs:
            return chains
        surest = max(pairs, key=worth)
        chains = [chain for chain in chains if chain not in surest]
        chains.append(surest[0] + surest[1])


def _step(pair: tuple[Chain, Chain]) -> int:
    """Bytes from one chain to the next: 1 big-endian, -1 little-endian, 0 within a byte."""
    return pair[1][0].byte - pair[0][-1].byte


def _touch(upper: Chain, lower: Chain) -> bool:
    """Whether ``lower`` may go on where ``upper`` ends, in one byte order, within 63 bits."""
    end, begin = upper[-1], lower[0]
    if end.byte == begin.byte:
        touch = end.bottom == begin.top + 1
    else:
        touch = abs(end.byte - begin.byte) == 1 and (end.bottom, begin.top) == (0, 7)
    joined = upper + lower
    steps = {b.byte - a.byte for a, b in pairwise(joined)} - {0}
    return touch and len(steps) <= 1 and sum(p.length for p in joined) < 64


def _sure(sample: U8, upper: Chain, lower: Chain) -> float:
    """How much of the unrest of two parts read as one number goes away because they move together.

    1 when the upper part moves exactly as the lower one runs over, about 0 when they have nothing
    to do with each other: then the steps of one would fit the other's at any other time as well.
    Unrest is how large the number's steps are; where that says little (they are larger than the
    lower part), how much they differ from one to the next, which counts half.
    """
    rise, step = np.diff(_number(sample, upper)), np.diff(_number(sample, lower))
    some = (rise != 0) | (step != 0)
    size = sum(p.length for p in lower)
    rise, step = rise[some] << size, step[some]
    if not rise.any() or not step.any():
        return 0.0
    half = 1 << sum(p.length for p in upper) + size - 1
    if _runs_over(rise, step, size):
        return _RUNS_OVER

    def unrest(shift: int) -> npt.NDArray[np.float64]:
        whole = (rise + np.roll(step, shift) + half) % (2 * half) - half
        steps = np.abs(whole - np.median(whole)).mean()
        return np.array([steps, np.abs(np.diff(whole)).mean() if len(whole) > 1 else steps])

    elsewhere = np.mean([unrest(len(step) * part // 7) for part in range(1, 7)], axis=0)
    first, second = 1 - unrest(0) / np.maximum(elsewhere, 1e-9)
    return float(first if first >= _TOGETHER else min(second, 2 * _TOGETHER) / 2)


def _runs_over(rise: I64, step: I64, size: int) -> bool:
    """Whether the upper part moves when the lower one jumps over its end, and hardly else.

    A slow value runs over a few times among thousands of steps: its unrest then says little, but
    so many jumps at once with so many rises do not come by chance.
    """
    jumps, rises = np.abs(step) > 1 << size - 1, rise != 0
    together = int((jumps & rises & (np.abs(rise + step) < 1 << size - 1)).sum())
    most = max(int(jumps.sum()), int(rises.sum()))
    by_chance = float(jumps.mean() * rises.mean()) * len(step)
    return together >= _FEWEST_JUMPS and together >= _AGREE * most and together > 20 * by_chance


def _number(sample: U8, chain: Chain) -> I64:
    number = np.zeros(len(sample), np.int64)
    for piece in chain:
        number = number << piece.length | piece.of(sample)
    return number


def _up(piece: _Piece, taken: set[int]) -> _Piece:
    """The piece with the resting bits above it in its byte."""
    top = piece.top
    while top < 7 and piece.byte * 8 + top + 1 not in taken:
        top += 1
    return replace(piece, top=top)


def _down(piece: _Piece, taken: set[int]) -> _Piece:
    """The piece with the resting bits below it, when there is nothing else below in its byte."""
    below = range(piece.byte * 8, piece.byte * 8 + piece.bottom)
    return piece if taken.intersection(below) else replace(piece, bottom=0)


def _signed_or_not(raw: I64, bits: int) -> tuple[I64, bool]:
    """The raw values as the number kind in which they stay closer together."""
    signed = np.where(raw >> (bits - 1), raw - (1 << bits), raw)
    if float(np.abs(np.diff(signed)).sum()) < float(np.abs(np.diff(raw)).sum()):
        return signed, True
    return raw, False


def roughness(values: npt.NDArray[np.integer]) -> float:
    """Mean step from frame to frame as a part of the range; about 1/3 for random values."""
    numbers = values.astype(np.float64)
    span = float(numbers.max() - numbers.min())
    return float(np.abs(np.diff(numbers)).mean()) / span if span else 0.0


def positions(start: int, length: int, big_endian: bool) -> list[int]:
    """The bits of a field (byte * 8 + bit), highest first."""
    if not big_endian:
        return list(range(start + length - 1, start - 1, -1))
    first = start // 8 * 8 + 7 - start % 8
    return [n // 8 * 8 + 7 - n % 8 for n in range(first, first + length)]
