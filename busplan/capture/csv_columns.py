"""Which columns of a CSV file hold what: as told, or found by their headings.

The rules of this file: what is not clear is asked for, never guessed. A heading decides only when
it is the only one of its kind; the unit of a time and the base of a number must be told, be in the
heading, or show in the figures themselves. Headings as recorders and tools write them: common
practice, no source.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from busplan.errors import CaptureError, UsageError
from busplan.wording import listing, one_line

NEEDED = ("time", "id", "data")
"""What a file must hold of every frame."""
ROLES = (*NEEDED, "bus", "length", "extended", "remote", "error", "direction")
UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
"""Units of times [s]."""
BASES = ("hex", "dec")
SEPARATORS = ",;\t|"
HEADING_WITHIN = 60
"""Lines in which the headings must come; before them there may be remarks."""
MOST_COLUMNS = 1000
"""More are no log of frames: the longest payload, a column a byte, has 64."""
LIBRARY_HEAD = "timestamp,arbitration_id,extended,remote,error,dlc,data"
"""Headings of python-can's own CSV files: seconds, hexadecimal identifiers, payloads in base 64."""
EXAMPLE = "--columns time=…,id=…,bus=…,data=…"

_PAIR = re.compile(rf",(?=(?:{'|'.join(ROLES)})=)")
_FORM = re.compile(r"(.+):(s|ms|us|µs|μs|ns|hex|dec)", re.IGNORECASE)
_NOTE = re.compile(
    r"[(\[]([^)\]]*)[)\]]|[ _](ns|us|µs|μs|ms|s|sec|seconds|hex|dec)$", re.IGNORECASE
)
_FORMS = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "ms": "ms", "millisecond": "ms", "milliseconds": "ms",
    "us": "us", "µs": "us", "μs": "us", "microsecond": "us", "microseconds": "us",
    "ns": "ns", "nanosecond": "ns", "nanoseconds": "ns",
    "hex": "hex", "hexadecimal": "hex", "0x": "hex", "dec": "dec", "decimal": "dec",
}  # fmt: skip


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


YES = _words("true 1 yes y x ext extended xtd 29 29bit 29-bit eff t")
NO = _words("false 0 no n std standard s 11 11bit 11-bit sff f -") | {""}
SENT_WORDS = _words("tx t transmit transmitted send sent out")
_HEADINGS: Mapping[str, frozenset[str]] = {
    "time": _words(
        "time timestamp timestamps t ts abstime reltime timeabs timerel absolutetime relativetime "
        "elapsed elapsedtime timeoffset datetime dateandtime zeit zeitstempel"
    ),
    "id": _words(
        "id canid identifier msgid messageid frameid arbid arbitrationid canidentifier address"
    ),
    "data": _words("data payload databytes bytes msgdata candata framedata daten"),
    "bus": _words(
        "bus channel chan ch can canbus canchannel busid buschannel port interface network kanal"
    ),
    "length": _words("length len dlc datalength datalen size bytecount"),
    "extended": _words("extended ext ide xtd isextended isextendedid extendedid eff"),
    "remote": _words("remote rtr isremote isremoteframe remoteframe"),
    "error": _words("error errorframe iserror iserrorframe"),
    "direction": _words("direction dir rxtx txrx"),
}
_BYTE = re.compile(r"(?:d|b|byte|data|databyte|db)([0-9]{1,2})")


class Told(NamedTuple):
    """A column as the user tells it: its heading or number, and its unit or base when given."""

    name: str
    form: str = ""


@dataclass(frozen=True)
class Layout:
    """Where a file holds what; columns count from 0, −1 where there is none.

    ``data`` are the first and the last column of the payload. ``time_unit``, ``id_base`` and
    ``data_base`` are empty where only the figures can tell. ``heading`` is the number of the line
    with the headings, 0 when there is none.
    """

    separator: str
    heading: int
    width: int
    place: Mapping[str, int]
    data: tuple[int, int]
    time_unit: str = ""
    id_base: str = ""
    data_base: str = ""
    closed: bool = False
    """Whether no line can have more columns."""
    names: tuple[str, ...] = field(default=(), compare=False)

    def name(self, role: str) -> str:
        """How the user would name a column."""
        at = self.data[0] if role == "data" else self.place[role]
        return self.names[at] if at < len(self.names) else str(at + 1)


def parse_columns(text: str) -> dict[str, Told]:
    """``time=Time:ms,id=ID,data=D1..D8`` by role; ``UsageError`` when it is not of that form.

    A column is named by its heading or by its number from 1 on.
    """
    told: dict[str, Told] = {}
    for part in _PAIR.split(text):
        role, sign, name = part.partition("=")
        if not sign or role.strip() not in ROLES or not name.strip():
            raise UsageError(
                f"--columns wants {EXAMPLE.partition(' ')[2]}, of {', '.join(ROLES)}; not "
                f"{one_line(part)!r}"
            )
        role = role.strip()
        if role in told:
            raise UsageError(f"--columns names {role} twice")
        formed = _FORM.fullmatch(name.strip())
        told[role] = Told(formed[1], _FORMS[formed[2].lower()]) if formed else Told(name.strip())
        fits = UNITS if role == "time" else BASES if role in ("id", "data") else ()
        if told[role].form and told[role].form not in fits:
            raise UsageError(f"--columns: {role} takes no {told[role].form!r}")
    missing = [role for role in NEEDED if role not in told]
    if missing and not _may_be_found(told):
        raise UsageError(f"--columns says nothing of {listing(missing)}")
    return told


def _may_be_found(told: Mapping[str, Told]) -> bool:
    """Whether headings may tell what was not told: not where columns are given by number."""
    return not any(one.name.isdecimal() for one in told.values())


def layout_of(lines: Sequence[str], told: Mapping[str, Told], file: str) -> Layout:
    """The layout of a file by its first lines; ``CaptureError`` says what is not clear."""
    if told and not _may_be_found(told):
        return _by_number(lines, told, file)
    best: tuple[int, str] | None = None
    for number, line in enumerate(lines[:HEADING_WITHIN], start=1):
        for separator in SEPARATORS:
            if separator not in line:
                continue
            names = fields(line, separator)
            try:
                return _by_heading(names, told, separator, number)
            except _UnclearError as unclear:
                if best is None or unclear.found > best[0]:
                    best = (unclear.found, f"line {number} has {_shown(names)}: {unclear}")
    why = best[1] if best else "no line of headings"
    wide = any(t.count(s) >= MOST_COLUMNS for t in lines[:HEADING_WITHIN] for s in SEPARATORS)
    if wide and (best is None or not best[0]):
        why = f"more than the {MOST_COLUMNS:,} columns that are looked at"
    raise CaptureError(
        f"{file}: it is not clear which columns of this CSV file hold what ({why}); say it with "
        f"{EXAMPLE} (headings or numbers of columns)"
    )


def fields(line: str, separator: str) -> list[str]:
    """The cells of a line, quotes taken off; none when they are more than a file can have."""
    if line.count(separator) >= MOST_COLUMNS:
        return []
    if '"' in line:
        try:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=separator), [])]
        except csv.Error:
            return []
    return [cell.strip() for cell in line.split(separator)]


class _UnclearError(Exception):
    """Headings that do not tell everything; ``found`` counts what they tell."""

    def __init__(self, found: int, why: str) -> None:
        super().__init__(why)
        self.found = found


def _shown(names: Sequence[str]) -> str:
    return listing([f'"{one_line(name, 24)}"' for name in names if name], most=12)


def _plain(heading: str) -> tuple[str, str]:
    """A heading in small letters without its unit or base, and that unit or base."""
    form = ""
    for note in _NOTE.finditer(heading):
        form = form or _FORMS.get((note[1] or note[2] or "").strip().lower(), "")
    bare = _NOTE.sub("", heading)
    return re.sub(r"[^0-9a-zäöü]", "", bare.lower()), form


def _by_heading(
    names: Sequence[str], told: Mapping[str, Told], separator: str, number: int
) -> Layout:
    plain = [_plain(name) for name in names]
    place: dict[str, int] = {}
    forms: dict[str, str] = {}
    data: tuple[int, int] | None = None
    problems = []
    for role in ROLES:
        if role in told:
            hits = _named(names, told[role].name, role)
            wanted = f'no column "{one_line(told[role].name, 40)}"'
        else:
            hits = [(i, i) for i, (word, _) in enumerate(plain) if word in _HEADINGS[role]]
            hits = hits or (list(_bytes_apart(plain)) if role == "data" else [])
            wanted = f"none is the {role}"
        if len(hits) > 1:
            several = " and ".join(f'"{one_line(names[i], 24)}"' for i, _ in hits[:3])
            problems.append(f"{several} could each be the {role}")
        elif hits:
            place[role] = hits[0][0]
            forms[role] = told[role].form if role in told else ""
            forms[role] = forms[role] or plain[hits[0][0]][1]
            data = hits[0] if role == "data" else data
        elif role in NEEDED or role in told:
            problems.append(wanted)
    if problems or data is None:
        raise _UnclearError(len(place), "; ".join(problems))
    library = not told and separator.join(names).lower() == LIBRARY_HEAD
    return Layout(
        separator=separator,
        heading=number,
        width=max(*place.values(), data[1]) + 1,
        place=place,
        data=data,
        time_unit="s" if library else _fitting(forms["time"], UNITS),
        id_base="hex" if library else _fitting(forms["id"], BASES),
        data_base="base64" if library else _fitting(forms["data"], BASES),
        closed=library,
        names=tuple(names),
    )


def _fitting(form: str, known: Sequence[str] | Mapping[str, float]) -> str:
    return form if form in known else ""


def _named(names: Sequence[str], told: str, role: str) -> list[tuple[int, int]]:
    """First and last column of what the user names; payloads may stand in several columns."""
    exact = [(i, i) for i, name in enumerate(names) if name.lower() == told.lower()]
    if exact or role != "data" or ".." not in told:
        return exact
    first, _, last = (part.strip().lower() for part in told.partition(".."))
    lower = [name.lower() for name in names]
    if first in lower and last in lower and lower.index(first) <= lower.index(last):
        return [(lower.index(first), lower.index(last))]
    return []


def _bytes_apart(plain: Sequence[tuple[str, str]]) -> Iterator[tuple[int, int]]:
    """Columns side by side that hold one byte each, numbered on."""
    begin = 0
    numbers = [int(m[1]) if (m := _BYTE.fullmatch(word)) else -1 for word, _ in plain]
    while begin < len(numbers):
        end = begin
        while end + 1 < len(numbers) and numbers[end + 1] == numbers[end] + 1 and numbers[end] >= 0:
            end += 1
        if numbers[begin] in (0, 1) and end > begin:
            yield begin, end
        begin = end + 1


def _by_number(lines: Sequence[str], told: Mapping[str, Told], file: str) -> Layout:
    """A layout told in numbers of columns; the separator is the one that makes most of them."""
    missing = [role for role in NEEDED if role not in told]
    if missing:
        raise UsageError(f"--columns says nothing of {listing(missing)}")
    place: dict[str, int] = {}
    data = (0, 0)
    for role, (name, _) in told.items():
        first, _, last = name.partition("..") if role == "data" else (name, "", "")
        ends = [first, last or first]
        if not all(end.strip().isdecimal() and 1 <= int(end) <= MOST_COLUMNS for end in ends):
            raise UsageError(
                f"--columns names some columns by number and {role} by {one_line(name, 40)!r}; "
                "use one or the other"
            )
        place[role] = int(first) - 1
        data = (int(first) - 1, int(last or first) - 1) if role == "data" else data
    if data[0] > data[1]:
        raise UsageError("--columns: the payload's last column lies before its first")
    width = max(*place.values(), data[1]) + 1
    sample = [line for line in lines if line.strip()]
    separator = max(SEPARATORS, key=lambda sign: sum(len(fields(x, sign)) >= width for x in sample))
    if not any(len(fields(line, separator)) >= width for line in sample):
        raise CaptureError(f"{file}: no line has as many as {width} columns")
    return Layout(
        separator=separator,
        heading=0,
        width=width,
        place=place,
        data=data,
        time_unit=told["time"].form,
        id_base=told["id"].form,
        data_base=told["data"].form,
    )
