"""Notes at moments of a capture: what somebody saw or did, in whose words, when.

They are kept beside the capture in ``CAPTURE.notes.toml``, headed by what the capture began with,
and only ever added to. :func:`parse_notes` reads the text, :func:`note_block` writes one.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from busplan.errors import UsageError
from busplan.findings import Finding, Weight, Where
from busplan.plan.paper_text import quoted
from busplan.wording import moment_text

LONGEST = 2000
"""Characters of one note."""
MOST = 20_000
"""Notes of one capture."""


@dataclass(frozen=True, slots=True)
class Note:
    """What was noted, by whom, at ``t_ns`` after the capture's first frame.

    ``recorded_ns`` is the same moment as the capture counts time. ``signal`` is a full name where
    the note is about one.
    """

    t_ns: int
    text: str
    by: str = ""
    signal: str = ""
    recorded_ns: int = 0

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "time_s": self.t_ns / 1e9,
            "recorded_ns": self.recorded_ns,
            "text": self.text,
            "by": self.by,
            "signal": self.signal or None,
        }


@dataclass(frozen=True, slots=True)
class NotesFile:
    """The notes of a file and which capture they belong to: its first bytes and their SHA-256."""

    capture: str
    head_bytes: int
    head_sha256: str
    notes: tuple[Note, ...] = ()


def parse_notes(text: str, origin_ns: int, file: str = "the notes") -> NotesFile:
    """The notes of a text, counted from ``origin_ns``, in order of time.

    Raises :class:`UsageError` when it is not such a text.
    """
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UsageError(f"{file}: not valid TOML: {error}") from error
    blocks = document.get("note", [])
    if not isinstance(blocks, list) or len(blocks) > MOST:
        raise UsageError(f"{file}: [[note]] tables, {MOST} at most, are what it may hold")
    notes = []
    for number, block in enumerate(blocks, 1):
        at = block.get("t_ns") if isinstance(block, dict) else None
        said = block.get("text") if isinstance(block, dict) else None
        if not isinstance(at, int) or isinstance(at, bool) or not isinstance(said, str):
            raise UsageError(f"{file}: note {number} needs t_ns, a whole number, and text")
        by, signal = (str(block.get(key, "")) for key in ("by", "signal"))
        notes.append(Note(at - origin_ns, said[:LONGEST], by[:LONGEST], signal[:LONGEST], at))
    notes.sort(key=lambda n: n.t_ns)
    size, digest = document.get("head_bytes", 0), document.get("head_sha256", "")
    return NotesFile(
        str(document.get("capture", "")),
        size if isinstance(size, int) and size >= 0 else 0,
        str(digest),
        tuple(notes),
    )


def notes_head(capture: str, head_bytes: int, head_sha256: str) -> str:
    """The beginning of a file of notes."""
    return (
        "# Notes of a capture, made by busplan. Times are nanoseconds as the capture counts them.\n"
        f"capture = {quoted(capture)}\n"
        f"head_bytes = {head_bytes}\n"
        f"head_sha256 = {quoted(head_sha256)}\n"
    )


def note_block(note: Note, *, epoch: bool) -> str:
    """One note as it is added to the file."""
    lines = [
        "\n[[note]]",
        f"t_ns = {note.recorded_ns}",
        f"at = {quoted(moment_text(note.recorded_ns, epoch=epoch))}",
        f"text = {quoted(note.text[:LONGEST])}",
    ]
    if note.by:
        lines.append(f"by = {quoted(note.by)}")
    if note.signal:
        lines.append(f"signal = {quoted(note.signal)}")
    return "\n".join(lines) + "\n"


NOTED = "note-taken"
"""The code of notes among findings."""


def note_findings(notes: Sequence[Note]) -> list[Finding]:
    """Notes as findings, for the line of time, the lists, exports and reports."""
    return [
        Finding(
            "note-taken",
            Weight.NOTE,
            Where(time_ns=max(note.t_ns, 0)),
            f"{note.text}{f' ({note.by})' if note.by else ''}",
            action="Read it beside what the capture shows then.",
        )
        for note in notes
    ]


def within(notes: Sequence[Note], a_ns: int, b_ns: int) -> tuple[Note, ...]:
    """The notes of a span, both ends included."""
    return tuple(n for n in notes if a_ns <= n.t_ns <= b_ns)
