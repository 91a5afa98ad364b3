"""Counters and checksums inside payloads: computing them, checking them, finding them.

A checksum byte covers the other payload bytes in order. Many nodes start their CRC from another
value, or run it over an identifier that is not in the payload. For payloads of one length all of
that only adds a constant, because a CRC is linear: ``crc(prefix + data) = crc(data) ^ constant``.
So a kind is recognised by the *polynomial*, and the constant falls out (Koopman and Chakravarty,
"Cyclic redundancy code polynomial selection for embedded networks", DSN 2004, explains the
linearity used here; quoted from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import I64, U8


@dataclass(frozen=True, slots=True)
class ChecksumKind:
    """How a checksum byte is made.

    ``method`` is ``crc`` (with ``poly``, whether bits are ``reflected``, ``init`` and ``xor_out``
    in the usual parametric CRC model), ``xor`` (all bytes exclusive-or'ed) or ``sum`` (bytes added
    modulo 256, ``xor_out`` 0xFF for the inverted sum).
    """

    name: str
    method: Literal["crc", "xor", "sum"]
    poly: int = 0
    init: int = 0
    reflected: bool = False
    xor_out: int = 0


SAE_J1850 = ChecksumKind("CRC-8 SAE J1850", "crc", 0x1D, 0xFF, False, 0xFF)
KINDS: tuple[ChecksumKind, ...] = (
    SAE_J1850,
    ChecksumKind("CRC-8 poly 0x2F", "crc", 0x2F, 0xFF, False, 0xFF),
    ChecksumKind("CRC-8 poly 0x07", "crc", 0x07),
    ChecksumKind("CRC-8 poly 0x31 reflected", "crc", 0x31, 0x00, True),
    ChecksumKind("CRC-8 poly 0x31", "crc", 0x31),
    ChecksumKind("CRC-8 poly 0x9B", "crc", 0x9B, 0xFF),
    ChecksumKind("CRC-8 poly 0xD5", "crc", 0xD5),
    ChecksumKind("CRC-8 poly 0x39 reflected", "crc", 0x39, 0x00, True),
    ChecksumKind("exclusive or", "xor"),
    ChecksumKind("sum", "sum"),
    ChecksumKind("inverted sum", "sum", xor_out=0xFF),
)
"""Published kinds, the more usual ones first."""


def _reflect(value: int) -> int:
    return int(f"{value:08b}"[::-1], 2)


@lru_cache(maxsize=32)
def _table(poly: int, reflected: bool) -> U8:
    """CRC of each single byte value, shape ``(256,)``."""
    table = np.zeros(256, np.uint8)
    mask = _reflect(poly) if reflected else poly
    for value in range(256):
        crc = value
        for _ in range(8):
            if reflected:
                crc = crc >> 1 ^ mask if crc & 1 else crc >> 1
            else:
                crc = (crc << 1 ^ mask) & 0xFF if crc & 0x80 else crc << 1
        table[value] = crc
    return table


def checksum(data: U8, kind: ChecksumKind) -> U8:
    """Checksums of many payloads at once.

    ``data`` is uint8 ``(n, length)``, the covered bytes only; returns uint8 ``(n,)``.
    """
    if kind.method == "xor":
        folded: U8 = np.bitwise_xor.reduce(data, axis=1)
        return folded ^ np.uint8(kind.xor_out)
    if kind.method == "sum":
        total: U8 = data.sum(axis=1, dtype=np.uint64).astype(np.uint8)
        return total ^ np.uint8(kind.xor_out)
    table = _table(kind.poly, kind.reflected)
    crc = np.full(len(data), kind.init, np.uint8)
    for column in range(data.shape[1]):
        crc = table[crc ^ data[:, column]]
    return crc ^ np.uint8(kind.xor_out)


class FoundChecksum(NamedTuple):
    """A checksum byte in payloads of one length.

    ``constant`` is what the kind's own result is combined with (exclusive or; added for ``sum``);
    0 when the kind applies as published. ``share`` is the part of the frames that agree.
    """

    position: int
    kind: ChecksumKind
    constant: int
    share: float


def expected_checksums(payloads: U8, found: FoundChecksum) -> U8:
    """What the checksum byte of each payload should be; uint8 ``(n,)``."""
    covered = np.delete(payloads, found.position, axis=1)
    value = checksum(covered, found.kind)
    constant = np.uint8(found.constant)
    return value + constant if found.kind.method == "sum" else value ^ constant


LEAST_SHARE = 0.9
"""Part of the frames that has to agree."""
DISTINCT = 8
"""Different payloads needed before a checksum, or its constant, is believed."""


def _usual_order(payloads: U8) -> tuple[int, ...]:
    """Where a checksum byte is looked for: last, first, in between."""
    last = payloads.shape[1] - 1
    return (last, 0, *range(1, last)) if last > 0 else (0,)


def find_checksum(
    payloads: U8, *, positions: tuple[int, ...] | None = None, least_share: float = LEAST_SHARE
) -> FoundChecksum | None:
    """The checksum byte that payloads of one length carry, or ``None``.

    ``payloads`` is uint8 ``(n, length)``. At least eight different payloads are needed, and the
    byte must vary; then a byte that agrees by chance is out of the question (256⁻⁷). ``positions``
    limits the search; by default the last and the first byte are tried before the others. With an
    exclusive or, or an inverted sum, every byte is the checksum of all others: then the first
    position tried is returned.
    """
    distinct = np.unique(payloads, axis=0)
    if len(distinct) < DISTINCT or payloads.shape[1] < 2:
        return None
    for position in positions or _usual_order(payloads):
        if len(np.unique(distinct[:, position])) < 4:
            continue
        covered = np.delete(distinct, position, axis=1)
        if len(np.unique(covered, axis=0)) < DISTINCT:
            continue
        for kind in KINDS:
            found = _agreement(payloads, position, kind, least_share)
            if found is not None:
                return found
    return None


def best_fit(
    payloads: U8, kind: ChecksumKind, positions: tuple[int, ...] | None = None
) -> FoundChecksum:
    """Where a checksum of a known kind fits best, and with which constant.

    Without a constant that fits nearly all frames, the kind is taken as published, so that every
    frame that differs from it shows. ``payloads`` and ``positions`` as in :func:`find_checksum`.
    """
    places = positions or _usual_order(payloads)
    if len(np.unique(payloads, axis=0)) >= DISTINCT:
        fits = [_agreement(payloads, place, kind, 0.0) for place in places]
        best = max((f for f in fits if f is not None), key=lambda f: f.share)
        if best.share >= LEAST_SHARE:
            return best
    plain = [
        FoundChecksum(place, kind, 0, float((expected == payloads[:, place]).mean()))
        for place in places
        for expected in [expected_checksums(payloads, FoundChecksum(place, kind, 0, 0.0))]
    ]
    return max(plain, key=lambda f: f.share)


def _agreement(
    payloads: U8, position: int, kind: ChecksumKind, least_share: float
) -> FoundChecksum | None:
    value = checksum(np.delete(payloads, position, axis=1), kind)
    seen = payloads[:, position]
    constants = seen - value if kind.method == "sum" else seen ^ value
    counts = np.bincount(constants, minlength=256)
    constant = int(counts.argmax())
    share = float(counts[constant]) / len(payloads)
    return FoundChecksum(position, kind, constant, share) if share >= least_share else None


class CounterVerdict(NamedTuple):
    """How a counter behaved: steps seen, steps that were not the usual one, and where (rows)."""

    step: int
    steps: int
    skips: I64
    repeats: I64


def check_counter(raw: npt.ArrayLike, modulus: int) -> CounterVerdict:
    """Judge a counter that should grow by one step a frame, modulo ``modulus``.

    ``raw`` are the counter's values in time order ``(n,)``. The usual step is the commonest one
    that is not zero. ``repeats`` are rows whose value equals the one before, ``skips`` rows with
    any other unusual step.
    """
    values = np.asarray(raw, np.int64)
    steps = np.diff(values) % modulus
    moving = steps[steps != 0]
    if not len(moving):
        return CounterVerdict(0, len(steps), np.empty(0, np.int64), np.arange(1, len(values)))
    kinds, counts = np.unique(moving, return_counts=True)
    step = int(kinds[counts.argmax()])
    skips = np.flatnonzero((steps != step) & (steps != 0)) + 1
    repeats = np.flatnonzero(steps == 0) + 1
    return CounterVerdict(step, len(steps), skips, repeats)


def counter_modulus(raw: npt.ArrayLike, length: int) -> int:
    """The modulus of a counter of ``length`` bits: 2**length, or less when it returns earlier.

    Some counters leave out their top value or values. That is taken as so when the counter has
    returned at least twice and every time from the same value below the top.
    """
    values = np.asarray(raw, np.int64)
    full = 1 << length
    steps = np.diff(values)
    before = values[:-1][steps < 0]
    if len(before) >= 2 and int(before.min()) == int(values.max()) < full - 1:
        kinds, counts = np.unique(steps[steps > 0], return_counts=True)
        step = int(kinds[counts.argmax()]) if len(kinds) else 1
        return min(int(values.max()) + step, full)
    return full


def looks_like_counter(raw: npt.ArrayLike, modulus: int, *, least_share: float = 0.8) -> bool:
    """Whether values grow by the same step nearly always and come round at least once."""
    values = np.asarray(raw, np.int64)
    if len(values) < 8 or modulus < 4:
        return False
    verdict = check_counter(values, modulus)
    usual = verdict.steps - len(verdict.skips) - len(verdict.repeats)
    wraps = int(values.max()) - int(values.min()) >= modulus - 2
    return verdict.step in (1, modulus - 1) and wraps and usual >= least_share * verdict.steps


def two_counters(raw: npt.ArrayLike, modulus: int, *, least_share: float = 0.98) -> bool:
    """Whether values are those of two counters, each going on at a pace of its own.

    Every value must be the next one of either, and each must have a fair part of them. The values
    of one counter that is sent twice look the same.
    """
    values = np.asarray(raw, np.int64).tolist()
    ends, steps = [values[0], -1], [1, 0]
    strays, most = 0, (1 - least_share) * len(values)
    for value in values[1:]:
        before = {(value - 1) % modulus, modulus - 2 if value == 0 else -2}  # top value left out
        if ends[0] in before:
            chosen = 0
        elif ends[1] in before or ends[1] < 0:
            chosen = 1
        else:
            strays += 1
            if strays > most:
                return False
            chosen = 0 if (value - ends[0]) % modulus <= (value - ends[1]) % modulus else 1
        ends[chosen] = value
        steps[chosen] += 1
    return min(steps) >= max(16, len(values) // 8)


class FoundCounter(NamedTuple):
    """A counter field found without a definition: lowest bit (DBC numbering) and width."""

    start: int
    length: int

    def of(self, payloads: U8) -> I64:
        """Its value in every payload."""
        column = payloads[:, self.start // 8].astype(np.int64)
        return column >> self.start % 8 & (1 << self.length) - 1


def find_counters(payloads: U8) -> tuple[FoundCounter, ...]:
    """Counter fields in payloads of one length, in time order: whole bytes, then half bytes."""
    found: list[FoundCounter] = []
    for field in _fields(payloads):
        inside = found and found[-1].length == 8 and found[-1].start == field.start // 8 * 8
        if not inside and looks_like_counter(field.of(payloads), 1 << field.length):
            found.append(field)
    return tuple(found)


def counter_candidates(payloads: U8) -> Iterator[FoundCounter]:
    """Fields in which nearly every value a counter can have was seen."""
    for field in _fields(payloads):
        if len(np.unique(field.of(payloads))) >= (1 << field.length) - 2:
            yield field


def _fields(payloads: U8) -> Iterator[FoundCounter]:
    for byte in range(payloads.shape[1]):
        yield FoundCounter(byte * 8, 8)
        yield FoundCounter(byte * 8, 4)
        yield FoundCounter(byte * 8 + 4, 4)
