"""What headings and cells of a table of messages say.

The rules of this file: columns are told by their headings, in any order; a unit in a heading holds
for its column, one in a cell for the cell. A cell that says more than one number, or a number in an
unknown unit, is not understood: a guess here would be a wrong figure in a plan.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

_COLUMNS = {
    "identifier": ("identifier", "id", "canid", "messageid", "frameid", "arbitrationid"),
    "signal": ("signal", "signalname"),
    "start": ("start", "startbit", "firstbit", "bit", "bitstart", "startbitposition"),
    "length": ("dlc", "bytes", "payload", "messagelength", "framelength", "length", "len", "size"),
    "bits": ("bits", "signallength", "bitlength", "width", "signalsize", "length", "len", "size"),
    "cycle": ("cycle", "period", "cycletime", "interval", "rate", "frequency"),
    "distance": ("mindistance", "eventdistance", "onevent"),
    "message": ("message", "messagename", "name", "frame", "framename"),
    "signal_unit": ("units", "signalunit", "physicalunit"),
    "sender": ("sender", "node", "from", "part", "source", "transmitter"),
    "receivers": ("receiver", "receivers", "to", "destination"),
    "order": ("order", "byteorder", "endian", "endianness"),
    "signed": ("signed", "sign", "type", "kind", "datatype", "valuetype"),
    "scale": ("scale", "factor", "resolution", "gain"),
    "offset": ("offset",),
    "minimum": ("min", "minimum", "lowest"),
    "maximum": ("max", "maximum", "highest"),
    "comment": ("comment", "remark", "description", "note"),
}
"""Words of headings, the firmest first."""
_ENDS = {
    "identifier": {"hex": "hex", "dec": "dec", "decimal": "dec", "hexadecimal": "hex"},
    "length": {"bytes": "bytes", "byte": "bytes", "bits": "bits", "bit": "bits"},
    "bits": {"bits": "bits", "bit": "bits"},
}
_MILLISECONDS = {
    "ms": 1.0,
    "msec": 1.0,
    "millisecond": 1.0,
    "milliseconds": 1.0,
    "s": 1000.0,
    "sec": 1000.0,
    "second": 1000.0,
    "seconds": 1000.0,
    "us": 0.001,
    "µs": 0.001,
    "μs": 0.001,
    "min": 60_000.0,
}
_PERIODS = {unit: unit for unit in (*_MILLISECONDS, "hz")}
_RATES = ("rate", "frequency")
_NO_NUMBER = ("", "-", "–", "0", "n/a", "na", "none")
_LONGEST_MS = 86_400_000.0
_NUMBER = re.compile(
    r"([-+]?(?:\d+(?:[.,]\d+)?|[.,]\d+)(?:[eE][-+]?\d+)?)(?:\s*/\s*(\d+(?:[.,]\d+)?))?\s*(.*)",
    re.DOTALL,
)
_FLOATS = ("float", "double", "real", "ieee")


@dataclass(frozen=True, slots=True)
class Column:
    """Where a column stands, and the unit that its heading states (``""``: none)."""

    index: int
    unit: str


def columns(head: Sequence[str]) -> dict[str, Column]:
    """Which column is what; each heading counts once, firmer words before weaker ones."""
    words = dict(_COLUMNS)
    single = [re.sub(r"[^a-z]", "", re.sub(r"\[.*?\]|\(.*?\)", "", h.lower())) for h in head]
    side = "signal_unit" if {"signal", "signalname"} & set(single) else "sender"
    words[side] = (*words[side], "unit")
    found: dict[str, Column] = {}
    for name, wanted in words.items():
        if name == "bits" and "signal" not in found:
            wanted = wanted[:-3]
        fits = _fits(name, wanted, head, {c.index for c in found.values()})
        if name == "length" and "signal" in found:
            fits = (f for f in fits if f[2] != "bits")
        if best := min(fits, default=None):
            found[name] = Column(best[1], best[2])
    length = found.get("length")
    loose = (
        length is not None
        and length.unit != "bytes"
        and single[length.index] in ("length", "len", "size")
    )
    if loose and {"signal", "start"} <= set(found) and "bits" not in found:
        found["bits"] = found.pop("length")
    return found


def _fits(
    name: str, wanted: Sequence[str], head: Sequence[str], used: set[int]
) -> Iterator[tuple[int, int, str]]:
    """Columns that can be one of a kind: rank of the word, place, unit of the heading."""
    units = _PERIODS if name in ("cycle", "distance") else _ENDS.get(name, {})
    for index, heading in enumerate(head):
        if index in used:
            continue
        inside = " ".join(re.findall(r"[\[(](.*?)[\])]", heading.lower())).strip()
        unit = units.get(inside, "?" if re.search(r"\d", inside) else "")
        bare = re.sub(r"\[.*?\]|\(.*?\)", "", heading.lower())
        parts = re.findall(r"[a-zµμ]+", bare)
        whole, shorter = "".join(parts), "".join(parts[:-1])
        if whole in wanted:
            yield wanted.index(whole), index, unit or _joined(name, whole)
        elif parts and shorter in wanted and parts[-1] in units:
            yield wanted.index(shorter), index, units[parts[-1]]
        elif parts and len(parts) > 2 and parts[-2] == "in" and "".join(parts[:-2]) in wanted:
            yield wanted.index("".join(parts[:-2])), index, units.get(parts[-1], "")
        else:
            yield from (
                (wanted.index(whole.removesuffix(end)), index, told)
                for end, told in units.items()
                if len(end) > 1 and whole.endswith(end) and whole.removesuffix(end) in wanted
            )


def _joined(name: str, word: str) -> str:
    """What a heading says of its unit by itself: a rate that states none has none."""
    if name == "cycle" and word in _RATES:
        return "?"
    return "bytes" if word == "bytes" else ""


def number(text: str) -> float | int | None:
    """The number of a cell, also as a fraction (1/128), with or without a unit behind it.

    ``None`` for an empty cell; ``ValueError`` where it is not clear which number is meant.
    """
    value, rest = _value(text)
    if re.search(r"\d|\.\.|[<>≤≥±~]", re.sub(r"\^?[2²]$", "", rest)):
        raise _unclear(text)
    return value


def _value(text: str) -> tuple[float | int | None, str]:
    text = text.strip().replace("−", "-")
    if text.lower() in _NO_NUMBER and text != "0":
        return None, ""
    match = _NUMBER.fullmatch(text)
    if match is None or re.match(r"[-+]?[1-9]\d{0,2},\d{3}(?![\d.,])", text):
        raise _unclear(text)
    value = float(match[1].replace(",", "."))
    if match[2] is not None:
        below = float(match[2].replace(",", "."))
        if not below:
            raise _unclear(text)
        value /= below
    if not math.isfinite(value):
        raise _unclear(text)
    return int(value) if value == int(value) else value, match[3].strip()


def _unclear(text: str) -> ValueError:
    return ValueError(f'"{text.strip()[:30]}" is no clear number')


def milliseconds(text: str, unit: str) -> tuple[float | None, bool]:
    """A period [ms] and whether its unit is stated, by the cell or its heading (``unit``).

    ``None`` where the cell states no period; ``ValueError`` where it is not clear which.
    """
    if text.strip().lower() in _NO_NUMBER:
        return None, True
    unclear = ValueError(f'the period "{text.strip()[:30]}" is not clear: state it in ms')
    try:
        value, told = _value(text)
    except ValueError:
        raise unclear from None
    own = told.lower().rstrip(".") or unit
    if value is None or value <= 0 or own not in (*_MILLISECONDS, "hz", ""):
        raise unclear
    period = 1000 / value if own == "hz" else value * _MILLISECONDS.get(own, 1.0)
    if period > _LONGEST_MS:
        raise unclear
    return period, bool(own)


def big_endian(text: str) -> bool:
    """Whether a cell says big-endian; ``ValueError`` when it says neither."""
    order = text.strip().lower()
    if any(word in order for word in ("big", "motorola", "msb")) or order == "be":
        return True
    if any(word in order for word in ("little", "intel", "lsb")) or order in ("", "le"):
        return False
    raise ValueError(f'the byte order "{text[:30]}" is not clear: say big or little')


def signed(text: str) -> bool:
    """Whether a cell says signed."""
    told = text.strip().lower()
    return told in ("1", "yes", "true", "s", "-", "y") or told.startswith(("signed", "int", "sint"))


def floating(text: str, bits: int) -> bool:
    """Whether a cell says floating-point; ``ValueError`` when that has no such length."""
    told = text.strip().lower().startswith(_FLOATS)
    if told and bits not in (16, 32, 64):
        raise ValueError(f"a floating-point number has 16, 32 or 64 bits, not {bits}")
    return told
