"""A line of the journal, and the chain of hashes that binds it to those before.

The rules of this file: pure. A line is one JSON object in ASCII, its keys sorted, ended by a line
feed. It begins with its own length in bytes (``#``), so that a line cut short by a crash is told
from a changed one. ``hash`` is the SHA-256 of the others; ``previous`` is the hash of the entry
before, or :data:`FIRST`. A line that was cut short stays; the entry after it names the hash of what
stands between them in ``torn``, so that it cannot be changed afterwards either.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING, Any, Literal

from busplan.errors import UsageError

if TYPE_CHECKING:
    from busplan.board.notes import Note

Kind = Literal["capture", "measured", "looked", "remark", "corrected", "accepted"]
KINDS: tuple[Kind, ...] = ("capture", "measured", "looked", "remark", "corrected", "accepted")
FIRST = "0" * 64
LARGEST = 64_000_000
"""Bytes of the largest journal that is read."""
LONGEST_LINE = 8_000_000


@dataclass(frozen=True, slots=True)
class Result:
    """What an entry says of one test: ``proven``, ``failed`` or ``not shown``, and by what."""

    test: str
    answer: str
    text: str = ""
    figures: Mapping[str, Any] | None = None

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "test": self.test,
            "answer": self.answer,
            "text": self.text,
            "figures": dict(self.figures or {}),
        }


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry: its number from 1, when (UTC, ISO 8601), who, its kind and what it says.

    ``about`` is the number of the entry that a correction or acceptance is of, ``None`` otherwise;
    ``captures`` are the files of a capture with their size and SHA-256.
    """

    number: int
    time: str
    who: str
    kind: Kind
    results: tuple[Result, ...] = ()
    text: str = ""
    about: int | None = None
    captures: tuple[Mapping[str, Any], ...] = ()
    previous: str = FIRST
    hash: str = ""
    torn: str = ""
    """The hash of an unfinished line before it, if there was one."""

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON, as they stand in the journal."""
        return _body(self) | {"hash": self.hash}


def _body(entry: Entry) -> dict[str, Any]:
    return {
        "number": entry.number,
        "time": entry.time,
        "who": entry.who,
        "kind": entry.kind,
        "results": [r.as_dict() for r in entry.results],
        "text": entry.text,
        "about": entry.about,
        "captures": [dict(c) for c in entry.captures],
        "previous": entry.previous,
        "torn": entry.torn,
    }


def sealed(entry: Entry) -> tuple[str, bytes]:
    """The hash of an entry, and its line."""
    body = _body(entry)
    digest = sha256(_text(body).encode()).hexdigest()
    line = _text(body | {"hash": digest, "#": "0" * _DIGITS}).encode()
    if len(line) > LONGEST_LINE:
        raise UsageError(f"an entry of {len(line):,} bytes is more than a journal keeps")
    length = f"{len(line):0{_DIGITS}}".encode()
    return digest, _HEAD + length + line[len(_HEAD) + _DIGITS :] + b"\n"


_HEAD, _DIGITS = b'{"#": "', 8


def _text(value: Mapping[str, Any]) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=True, allow_nan=False)


@dataclass(frozen=True, slots=True)
class Journal:
    """What a journal holds. ``broken`` tells where the chain does not hold, ``torn`` what was cut
    short after the last whole line; ``last`` is the hash of the last entry."""

    entries: tuple[Entry, ...] = ()
    broken: tuple[str, ...] = ()
    torn: bytes = b""

    @property
    def last(self) -> str:
        """The hash that the next entry must carry."""
        return self.entries[-1].hash if self.entries else FIRST

    @property
    def whole(self) -> bool:
        """Whether nothing has been changed, as far as the chain can show."""
        return not self.broken


def read_journal(data: bytes) -> Journal:
    """The entries of a journal, and every place where its chain is broken."""
    entries: list[Entry] = []
    broken: list[str] = []
    between = b""
    for number, line in enumerate(_lines(data), 1):
        entry = _parsed(line)  # whole, even if only its line feed was not written any more
        if entry is None:
            if not _cut_short(line):
                broken.append(f"line {number} has been changed: it is no entry")
            between += line
            continue
        broken += _misfits(entry, line, entries, between, number)
        between = b""
        entries.append(entry)
    return Journal(tuple(entries), tuple(broken), between)


def _lines(data: bytes) -> list[bytes]:
    """Lines with their line feeds; the last may have none."""
    *whole, rest = data.split(b"\n")
    return [line + b"\n" for line in whole] + ([rest] if rest else [])


def _cut_short(line: bytes) -> bool:
    """Whether a line is the beginning of an entry whose end was never written."""
    line = line.removesuffix(b"\n")
    if not line:
        return False
    digits = line[len(_HEAD) : len(_HEAD) + _DIGITS]
    if len(digits) < _DIGITS:
        return _HEAD.startswith(line[: len(_HEAD)]) and (not digits or digits.isdigit())
    if not line.startswith(_HEAD) or not digits.isdigit():
        return False
    return len(line) < int(digits)


def _vouched(between: bytes) -> str:
    """What the entry after them says of lines cut short."""
    return sha256(between.removesuffix(b"\n")).hexdigest() if between else ""


def _misfits(
    entry: Entry, line: bytes, before: list[Entry], unfinished: bytes, number: int
) -> list[str]:
    found = []
    digest, again = sealed(entry)
    if digest != entry.hash or again.rstrip(b"\n") != line.rstrip(b"\n"):
        found.append(f"line {number} has been changed: its hash does not fit")
    expected = before[-1].hash if before else FIRST
    if entry.previous != expected:
        found.append(f"line {number} does not follow the entry before it")
    if entry.number != len(before) + 1:
        found.append(f"line {number} has the number {entry.number}, not {len(before) + 1}")
    if entry.torn != _vouched(unfinished):
        found.append(f"line {number - 1} has been changed, or its entry was removed")
    return found


def _parsed(line: bytes) -> Entry | None:
    """The entry of a line, ``None`` when it is none."""
    if len(line) > LONGEST_LINE:
        return None
    try:
        value = json.loads(line)
        results = tuple(
            Result(_as(r["test"], str), _as(r["answer"], str), _as(r["text"], str), r["figures"])
            for r in value["results"]
        )
        entry = Entry(
            number=_as(value["number"], int),
            time=_as(value["time"], str),
            who=_as(value["who"], str),
            kind=value["kind"],
            results=results,
            text=_as(value["text"], str),
            about=None if value["about"] is None else _as(value["about"], int),
            captures=tuple(_capture(c) for c in value["captures"]),
            previous=_as(value["previous"], str),
            hash=_as(value["hash"], str),
            torn=_as(value["torn"], str),
        )
        sealed(entry)  # what no entry could have been written as, such as NaN, is none
    except (ValueError, KeyError, TypeError, RecursionError, UsageError):
        return None
    if entry.kind not in KINDS or not all(isinstance(r.figures, dict) for r in results):
        return None
    return entry


MOST_NOTES, MOST_OF_NOTES = 500, 200_000
"""Notes of one capture that the journal keeps, and their bytes as JSON in all, so that its line can
always be read again; all of them stand in the file beside the capture."""


def notes_kept(notes: Sequence[Note]) -> dict[str, Any]:
    """What the journal keeps of the notes beside a capture; nothing where there are none."""
    if not notes:
        return {}
    kept: list[dict[str, Any]] = []
    size = 0
    for n in notes[:MOST_NOTES]:
        note = {"at_s": n.t_ns / 1e9, "by": n.by, "text": n.text}
        size += len(_text(note))
        if size > MOST_OF_NOTES:
            break
        kept.append(note)
    return {"notes": kept, "notes_left_out": len(notes) - len(kept)}


def _note(value: Any) -> dict[str, Any]:
    return {
        "at_s": float(value["at_s"]),
        "by": _as(value["by"], str),
        "text": _as(value["text"], str),
    }


def _capture(value: Any) -> dict[str, Any]:
    notes = {}
    if "notes" in value:
        left = _as(value["notes_left_out"], int)
        notes = {"notes": [_note(n) for n in value["notes"]], "notes_left_out": left}
    return notes | {
        "name": _as(value["name"], str),
        "sha256": _as(value["sha256"], str),
        "bytes": _as(value["bytes"], int),
        "from": _as(value["from"], str),
        "span_s": float(value["span_s"]),
    }


def _as(value: Any, kind: type) -> Any:
    if type(value) is not kind:
        raise TypeError
    return value


@dataclass(frozen=True, slots=True)
class Saying:
    """What is to be entered, before it has a number, a time and a place in the chain."""

    kind: Kind
    results: tuple[Result, ...] = ()
    text: str = ""
    about: int | None = None
    captures: tuple[Mapping[str, Any], ...] = ()


def next_entry(journal: Journal, said: Saying, *, time: str, who: str) -> Entry:
    """The entry that follows a journal; :class:`busplan.errors.UsageError` when it cannot be.

    What it is about must be an entry that is there, and whoever says what no capture shows must be
    named.
    """
    if said.about is not None and not 1 <= said.about <= len(journal.entries):
        raise UsageError(
            f"there is no entry {said.about}; the journal has {len(journal.entries)} entries"
        )
    if not who.strip() and said.kind != "capture":
        raise UsageError("say who says so: --by NAME")
    return Entry(
        number=len(journal.entries) + 1,
        time=time,
        who=who,
        kind=said.kind,
        results=said.results,
        text=said.text,
        about=said.about,
        captures=said.captures,
        previous=journal.last,
        torn=_vouched(journal.torn),
    )
