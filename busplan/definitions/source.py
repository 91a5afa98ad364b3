"""A definition file as text: UTF-8 if it is that, else Windows-1252, reported.

The one place that opens definition files.
"""

from __future__ import annotations

import codecs
from pathlib import Path

from busplan.errors import PlanError, Problem
from busplan.files import read_whole
from busplan.findings import Finding, Weight, Where

FALLBACK = "cp1252"
LARGEST = 10_000_000
"""Bytes of the largest definition file that is read."""


class NoSuchFileError(PlanError):
    """There is no such definition file; ``beside`` names those that lie in its folder."""

    def __init__(self, problem: Problem, beside: tuple[str, ...]) -> None:
        super().__init__([problem])
        self.beside = beside


class UnreadableFileError(PlanError):
    """A definition file cannot be read; ``reason`` says why."""

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__([Problem(str(path), None, "", f"cannot be read: {reason}")])
        self.reason = reason


def read_bytes(path: Path) -> bytes:
    """The bytes of a definition file; ``NoSuchFileError``, or ``UnreadableFileError``."""
    try:
        return read_whole(path, LARGEST)
    except OSError as error:
        if isinstance(error, FileNotFoundError | NotADirectoryError):
            problem = Problem(str(path), None, "", f"cannot be read: {error.strerror}")
            raise NoSuchFileError(problem, _definition_files(path.parent)) from error
        raise UnreadableFileError(path, error.strerror or "no reason given") from error


def _definition_files(folder: Path) -> tuple[str, ...]:
    try:
        return tuple(sorted(p.name for p in folder.iterdir() if p.suffix.lower() == ".dbc"))
    except OSError:
        return ()


def decode_text(
    data: bytes, file: str, encoding: str | None = None
) -> tuple[str, str, tuple[Finding, ...]]:
    """Text, encoding used and findings. ``PlanError`` when a stated ``encoding`` does not fit.

    Without ``encoding``: a byte order mark decides; else strict UTF-8; else Windows-1252, in which
    any byte reads as something, so it is reported: wrong characters in units would go unseen.
    """
    if encoding is not None:
        return _stated(data, file, encoding), encoding, ()
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if data.startswith(mark):
            return _stated(data, file, name), name, ()
    try:
        return data.decode("utf-8"), "utf-8", ()
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
    text = data.decode(FALLBACK, errors="replace")
    lost = text.count("\ufffd")
    more = f"; {lost} bytes have no meaning there and show as \ufffd" if lost else ""
    finding = Finding(
        "definition-encoding",
        Weight.NOTE,
        Where(file=file, line=line),
        f"The file is not UTF-8 (first at line {line}) and was read as Windows-1252{more}.",
        why="Units and texts may show wrong characters if it was written in another encoding.",
        action="Look at the units; if they are wrong, save the file as UTF-8.",
    )
    return text, FALLBACK, (finding,)


def _stated(data: bytes, file: str, encoding: str) -> str:
    try:
        return data.decode(encoding)
    except LookupError as error:
        problem = Problem(file, None, "encoding", f"{encoding!r} is not a known text encoding")
        raise PlanError([problem]) from error
    except UnicodeDecodeError as error:
        read = error.object  # without the mark of its encoding, from which its places count
        line = read.count(b"\n", 0, error.start) + 1
        text = f"byte 0x{read[error.start]:02X} is not valid {encoding}"
        raise PlanError([Problem(file, line, "encoding", text)]) from error
