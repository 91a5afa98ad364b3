"""Fields of unknown messages, chosen by hand or held against a signal that is known.

The rules of this file: it never says more than was seen. Of many fields that follow a known signal
equally well all are told; none is "found" below a correlation of :data:`SURE` or where the known
signal turned fewer than :data:`TURNS` times, and not before a second capture says the same: trends
and common start-ups are alike whatever their cause.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import F64, U8
from busplan.traffic.fields import positions
from busplan.wording import counted

SURE = 0.995
"""Least correlation (Pearson) of a field that is found."""
TURNS = 6
"""Least number of times that the known signal must have turned."""
TURN_PART = 0.1
"""It has turned when it went back by this part of its range."""
ALIKE = 1.3
"""Fields are equally good while what they leave open is no more than this times the best's."""
_ROUGH = 1e-3
"""Fields whose r is this near to the best one's are looked at exactly."""
LENGTHS = (*range(2, 17), 20, 24, 32)
"""Lengths of fields that are tried [bits]."""
MOST_FRAMES = 4000
"""Frames that are compared; of more, evenly spread ones."""
LEAST_FRAMES = 8
"""Fewer frames with a known value say nothing."""
WIDEST = 64
"""Bytes of a payload that are looked at."""


@dataclass(frozen=True, slots=True)
class Field:
    """Bits read as one number; ``start`` as in a DBC file."""

    start: int
    length: int
    big_endian: bool = False
    signed: bool = False

    def __str__(self) -> str:
        order = "big-endian" if self.big_endian else "little-endian"
        kind = "signed" if self.signed else "unsigned"
        if len({bit // 8 for bit in self.bits()}) == 1:
            order = ""
        return " ".join(w for w in (f"bit {self.start}, {self.length} bits", order, kind) if w)

    def bits(self) -> list[int]:
        """Its bits (byte * 8 + bit), highest first."""
        return positions(self.start, self.length, self.big_endian)

    def moved(self, by: int) -> Field:
        """The same so many bits further."""
        return replace(self, start=self.start + by)

    def sized(self, by: int) -> Field:
        """The same, so many bits longer."""
        return replace(self, length=min(max(self.length + by, 1), 64))

    def turned(self) -> Field:
        """The same bytes in the other order."""
        bits = self.bits()
        first, last = min(bits) // 8, max(bits) // 8
        if self.big_endian:
            return replace(self, start=8 * first + bits[-1] % 8, big_endian=False)
        top = bits[0] % 8 if first == last else 7
        return replace(self, start=8 * first + top, big_endian=True)

    def fits(self, n_bytes: int) -> bool:
        """Whether it lies inside a payload."""
        return self.start >= 0 and all(0 <= bit < 8 * n_bytes for bit in self.bits())

    def of(self, sample: U8) -> F64:
        """Its number in every payload of ``sample`` (n, bytes)."""
        places = self.bits()
        used = sorted({place // 8 for place in places})
        bits = np.unpackbits(np.ascontiguousarray(sample[:, used]), axis=1, bitorder="little")
        number = {byte: n for n, byte in enumerate(used)}
        return _value(bits, [8 * number[p // 8] + p % 8 for p in places], self.signed)


def _value(bits: npt.NDArray[Any], places: list[int], signed: bool) -> F64:
    return np.asarray(bits[:, places] @ weights_of(len(places), signed))


def weights_of(length: int, signed: bool) -> F64:
    """What each bit of a field counts, highest first."""
    weights: F64 = 2.0 ** np.arange(length - 1, -1, -1, dtype=np.float64)
    if signed:
        weights[0] = -weights[0]
    return weights


def bit_moves(sample: U8) -> F64:
    """In which part of the frames each bit differs from the frame before; ``(8 * bytes,)``."""
    if len(sample) < 2:
        return np.zeros(8 * sample.shape[1])
    changed = np.unpackbits(sample[1:] ^ sample[:-1], axis=1, bitorder="little")
    return np.asarray(changed.mean(axis=0), np.float64)


@dataclass(frozen=True, slots=True)
class Fit:
    """A field that follows the known signal: ``known = scale * field + offset``, with its r."""

    field: Field
    scale: float
    offset: float
    r: float


@dataclass(frozen=True)
class HeldAgainst:
    """What came of holding all fields of a message against a known signal.

    ``fits`` are all equally good ones, the likeliest first. ``turns`` counts how often the known
    signal turned. ``confirmed`` is the correlation of the same fields in a second capture, ``None``
    without one.
    """

    fits: tuple[Fit, ...]
    turns: int
    frames: int
    fields: int
    confirmed: float | None = None
    unconfirmed: str = "no second capture confirms it"
    """Why nothing is known of a second capture."""

    @property
    def found(self) -> bool:
        """Whether the first of them may be taken for the signal."""
        return not self.doubts

    @property
    def doubts(self) -> list[str]:
        """Why not, in words."""
        if not self.fits:
            return ["no field of the message follows it"]
        said = []
        if abs(self.fits[0].r) < SURE:
            said.append(f"r = {self.fits[0].r:.4f} is below {SURE}")
        if self.turns < TURNS:
            turned = counted(self.turns, "time")
            said.append(f"the known signal turned {turned}, {TURNS} at least are needed")
        if self.confirmed is None:
            said.append(self.unconfirmed)
        elif abs(self.confirmed) < SURE:
            said.append(f"in the second capture r = {self.confirmed:.4f}")
        return said

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "found": self.found,
            "doubts": self.doubts,
            "turns": self.turns,
            "frames": self.frames,
            "fields_tried": self.fields,
            "confirmed_r": self.confirmed,
            "fits": [
                {
                    "start": f.field.start,
                    "length": f.field.length,
                    "big_endian": f.field.big_endian,
                    "signed": f.field.signed,
                    "scale": f.scale,
                    "offset": f.offset,
                    "r": f.r,
                }
                for f in self.fits
            ],
        }


def candidates(moves: F64) -> list[Field]:
    """Every field that moves: both orders, both signs where the highest bit moves."""
    n_bytes = len(moves) // 8
    moving = moves > 0
    found: list[Field] = []
    for length in LENGTHS:
        for start in range(8 * n_bytes):
            for big in (False, True):
                field = Field(start, length, big)
                if not field.fits(n_bytes):
                    continue
                places = field.bits()
                if big and len({p // 8 for p in places}) == 1:
                    continue  # within one byte the order means nothing
                if not moving[places].any():
                    continue
                found.append(field)
                if moving[places[0]]:
                    found.append(replace(field, signed=True))
    return found


def turning_points(values: F64) -> int:
    """How often a signal turned back by at least :data:`TURN_PART` of its range."""
    values = values[~np.isnan(values)]
    if len(values) < 3:
        return 0
    least = TURN_PART * float(values.max() - values.min())
    if least <= 0:
        return 0
    turns, direction = 0, 0
    low = high = float(values[0])
    for value in values.tolist():
        low, high = min(low, value), max(high, value)
        if direction >= 0 and high - value >= least:
            turns, direction, low = turns + (direction > 0), -1, value
        elif direction <= 0 and value - low >= least:
            turns, direction, high = turns + (direction < 0), 1, value
        if direction > 0:
            low = value
        elif direction < 0:
            high = value
    return turns


def hold_against(sample: U8, known: F64) -> HeldAgainst:
    """Hold every field of payloads ``sample`` (n, bytes) against a signal (n,), NaN: not known."""
    good = ~np.isnan(known)
    sample, known = sample[good, :WIDEST], known[good]
    if len(known) > MOST_FRAMES:
        at = np.linspace(0, len(known) - 1, MOST_FRAMES).astype(np.int64)
        sample, known = sample[at], known[at]
    turns = turning_points(known)
    if len(known) < LEAST_FRAMES or not np.ptp(known):
        return HeldAgainst((), turns, len(known), 0)
    fields = candidates(bit_moves(sample))
    bits = np.unpackbits(sample, axis=1, bitorder="little").astype(np.float64)
    left = 1 - _roughly(fields, bits, known)
    near = np.flatnonzero(left <= 2 * ALIKE * np.nanmin(left, initial=1.0) + _ROUGH)
    tried = (_fit(fields[i], _value(bits, fields[i].bits(), fields[i].signed), known) for i in near)
    fits = [fit for fit in tried if fit is not None]
    return HeldAgainst(equally_good(fits, bits), turns, len(known), len(fields))


def _roughly(fields: list[Field], bits: F64, known: F64) -> F64:
    """The size of r of each field, nearly; NaN where it does not move.

    A field is a weighted sum of bits, so that its r follows from how bits go with each other and
    with the signal. Large fields that go back and forth over a power of two lose some digits here.
    """
    centred, signal = bits - bits.mean(axis=0), known - known.mean()
    together, along = centred.T @ centred, centred.T @ signal
    size = float((signal**2).sum())
    found = np.full(len(fields), np.nan)
    for i, field in enumerate(fields):
        places = field.bits()
        weights = weights_of(field.length, field.signed)
        norm = float(weights @ together[np.ix_(places, places)] @ weights)
        if norm > 0 and size > 0:
            found[i] = min(abs(float(weights @ along[places])) / (norm * size) ** 0.5, 1.0)
    return found


def fit_of(sample: U8, known: F64, field: Field) -> Fit | None:
    """One field of payloads held against a signal; ``None`` where one of them does not move."""
    good = ~np.isnan(known)
    if int(good.sum()) < LEAST_FRAMES:
        return None
    return _fit(field, field.of(sample[good]), known[good])


def _fit(field: Field, value: F64, known: F64) -> Fit | None:
    """The straight line by least squares, and Pearson's r."""
    spread, centred = value - value.mean(), known - known.mean()
    norm, size = float((spread**2).sum()), float((centred**2).sum())
    if norm <= 0 or size <= 0:
        return None
    along = float(spread @ centred)
    scale = along / norm
    offset = float(known.mean() - scale * value.mean())
    return Fit(field, scale, offset, along / (size * norm) ** 0.5)


def equally_good(fits: list[Fit], bits: F64) -> tuple[Fit, ...]:
    """Those that leave no more open than :data:`ALIKE` times the best; the likeliest first.

    Whole bytes before nibbles before others, then the shortest, then unsigned ones unless the
    highest bit goes both ways.
    """
    if not fits:
        return ()
    left = min(1 - abs(f.r) for f in fits)
    good = [f for f in fits if 1 - abs(f.r) <= ALIKE * left + 1e-12]

    def rank(fit: Fit) -> tuple[int, int, int, int, float]:
        field = fit.field
        places = field.bits()
        low, top = places[-1], places[0]
        whole = 0 if (low % 8, top % 8) == (0, 7) else 1 if (low % 4, top % 4) == (0, 3) else 2
        both = bits[:, top]
        turns_sign = 0 < both.mean() < 1
        wrong_sign = int(field.signed != turns_sign)
        return whole, field.length, wrong_sign, int(field.big_endian), 1 - abs(fit.r)

    return tuple(sorted(good, key=rank))


def confirm(held: HeldAgainst, sample: U8, known: F64) -> HeldAgainst:
    """The same with what a second capture says of the first of the fields."""
    if not held.fits:
        return held
    good = ~np.isnan(known)
    if not good.any():
        return replace(held, unconfirmed="the known signal is not in the second capture")
    if np.ptp(known[good]) == 0:
        return replace(held, unconfirmed="the known signal rests in the second capture")
    value = held.fits[0].field.of(sample[good])
    r = correlation(value, known[good])
    fit = held.fits[0]
    if r == r and len(value):
        off = known[good] - (fit.scale * value + fit.offset)
        spread = float(np.std(known[good]))
        # A line that fits here and not there is another signal.
        if spread and float(np.abs(off).mean()) > spread:
            r = 0.0
    return replace(held, confirmed=0.0 if r != r else r)


def correlation(a: F64, b: F64) -> float:
    """Pearson's r; NaN where one of them does not move."""
    if len(a) < 2:
        return float("nan")
    x, y = a - a.mean(), b - b.mean()
    size = float(np.sqrt((x**2).sum() * (y**2).sum()))
    return float(x @ y) / size if size > 0 else float("nan")
