"""A DBC text cut into its statements, each with its place.

The rules of this file: cutting never fails and loses nothing; every character of the text belongs
to one statement or stands before the first. A statement starts on a line whose first word is a DBC
keyword and reaches to the next such line, except inside a quoted text. A quoted text that never
closes, or closes where no text can end, is taken to end with its line, so that one missing quote
does not swallow the rest of the file.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

_KEYWORDS = (
    "VERSION|NS_|BS_|BU_|BO_|SG_|BO_TX_BU_|EV_|ENVVAR_DATA_|EV_DATA_|CM_|BA_DEF_|BA_DEF_DEF_|BA_|"
    "BA_DEF_REL_|BA_DEF_DEF_REL_|BA_REL_|VAL_|VAL_TABLE_|SIG_VALTYPE_|SG_MUL_VAL_|SIG_GROUP_|"
    "SGTYPE_|SGTYPE_VAL_|BA_DEF_SGTYPE_|BA_SGTYPE_|SIG_TYPE_REF_|CAT_|CAT_DEF_|FILTER"
)
# A line with nothing but a keyword is an entry of the NS_ list, not a statement; messages and
# signals are never listed there, so theirs may go on with the next line.
_HEAD = re.compile(
    rf"[ \t]*({_KEYWORDS})(?![A-Za-z0-9_])(?:(?<=BO_)|(?<=SG_)|(?![ \t]*(?:\r?\n|\Z)))"
)
_STOP = re.compile(r'//[^\n]*|"|\n')
_CLOSING = re.compile(r'(?<!\\)"')
_AFTER_TEXT = re.compile(r'\s*(?:[;,"|+\-0-9]|\Z)')
_REFERENCE = re.compile(r"\s*(?:BO_|VAL_|SIG_VALTYPE_|SG_MUL_VAL_)\s+(\d+)\s+(\w+)")
_COMMENT = re.compile(r"//[^\n]*")
_SIGNAL = re.compile(r"\s*SG_\s+(\w+)")
_ATTRIBUTE = re.compile(r'\s*BA(?:_DEF(?:_DEF)?)?_\s+(?:(?:BU_|BO_|SG_|EV_)\s+)?"([^"]*)"')


@dataclass(frozen=True, eq=False)
class Statement:
    """One statement: its keyword, its text and where it starts (line and column from 1)."""

    keyword: str
    text: str
    line: int
    start: int

    @cached_property
    def identifier(self) -> int | None:
        """The identifier, as the file writes it, of the message that the statement defines or whose
        signal it describes; ``None`` for other statements."""
        match = _REFERENCE.match(self.text)
        return int(match[1]) if match else None

    @cached_property
    def signal(self) -> str | None:
        """The signal that an ``SG_`` line defines or another statement speaks of."""
        match = _SIGNAL.match(self.text)
        if match:
            return match[1]
        match = _REFERENCE.match(self.text)
        return match[2] if match and self.keyword != "BO_" else None

    @cached_property
    def attribute(self) -> str | None:
        """The attribute that a ``BA_``, ``BA_DEF_`` or ``BA_DEF_DEF_`` statement names."""
        match = _ATTRIBUTE.match(self.text)
        return match[1] if match else None

    def place(self, offset: int) -> tuple[int, int]:
        """Line and column (from 1) of a character of the statement's text, or of its end."""
        before = self.text[: max(0, min(offset, len(self.text.rstrip())))]
        return self.line + before.count("\n"), len(before) - (before.rfind("\n") + 1) + 1


class Refusal(NamedTuple):
    """A statement that cannot be used, why, and at which character of it the trouble shows."""

    statement: Statement
    why: str
    offset: int = 0

    def with_signals(self, count: int) -> Refusal:
        """The refusal of a message that takes its signals with it."""
        return self._replace(why=f"{self.why}; its signals, {count}, go with it")


@dataclass(frozen=True, eq=False)
class Block:
    """A ``BO_`` statement with the ``SG_`` lines that follow it."""

    head: Statement
    signals: tuple[Statement, ...]


def cut(text: str) -> tuple[Statement, ...]:
    """The statements of ``text`` in file order.

    What stands before the first one, if anything, is a statement without keyword.
    """
    text += "\n"
    heads: list[tuple[int, str]] = []
    position = 0
    quotes = _Quotes(text)
    while position < len(text):
        match = _HEAD.match(text, position)
        if match:
            heads.append((position, match[1]))
        position = _next_line(text, position, quotes)
    first = heads[0][0] if heads else len(text)
    if _COMMENT.sub("", text[:first]).strip():
        heads.insert(0, (0, ""))
    if not heads:
        return ()
    newlines = [m.start() for m in re.finditer("\n", text)]
    ends = [start for start, _ in heads[1:]] + [len(text)]
    return tuple(
        Statement(keyword, text[start:end], bisect_right(newlines, start - 1) + 1, start)
        for (start, keyword), end in zip(heads, ends, strict=True)
    )


def blocks(statements: Sequence[Statement]) -> tuple[Block, ...]:
    """Messages with their signals, in file order; ``SG_`` lines before any ``BO_`` are left out."""
    found: list[tuple[Statement, list[Statement]]] = []
    for statement in statements:
        if statement.keyword == "BO_":
            found.append((statement, []))
        elif statement.keyword == "SG_" and found:
            found[-1][1].append(statement)
    return tuple(Block(head, tuple(signals)) for head, signals in found)


class _Quotes:
    """Where quoted texts end, asked from the front to the back; the whole text is searched once."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._last = text.rfind('"') + 1
        self._next = 0

    def end(self, position: int) -> int:
        """Where a text that began before ``position`` is over; there, if it never closes.

        It ends with the first quote that has no backslash before it, or with the last quote of all.
        """
        text = self._text
        if text.startswith('"', position):
            return position + 1
        if self._next <= position:
            match = _CLOSING.search(text, position)
            self._next = match.end() if match else len(text) + 1
        return self._next if self._next <= len(text) else max(self._last, position)


def _next_line(text: str, position: int, quotes: _Quotes) -> int:
    """Start of the next line that is not inside a quoted text."""
    while True:
        match = _STOP.search(text, position)
        if match is None:
            return len(text)
        token = match[0]
        position = match.end()
        if token == "\n":
            return position
        if token != '"':
            continue
        position = quotes.end(position)
        token = text[match.start() : position]
        # A text over several lines must be followed by what can follow a text.
        if "\n" in token and not _AFTER_TEXT.match(text, position):
            position = match.start() + 1
            line_end = text.find("\n", position)
            return len(text) if line_end < 0 else line_end + 1
