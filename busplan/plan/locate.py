"""Line numbers for the keys of a TOML text, which the standard library's parser does not keep.

The rules of this file: the text has already been accepted by ``tomllib``, so this scanner only has
to find where keys and values start; it never judges the text. A key path is a tuple of table keys
and array indices, as one would index the parsed document.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping

KeyPath = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_LONG = 60
"""Longer names are cut where they only tell a place."""
_SCALAR = re.compile(r"[^,\]\}\n#]*")
_BLANK = re.compile(r"[ \t]*")
_GAP = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_STRINGS = (
    re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}', re.DOTALL),
    re.compile(r"'''.*?'{3,5}", re.DOTALL),
    re.compile(r'"(?:[^"\\]|\\.)*"'),
    re.compile(r"'[^']*'"),
)


def key_lines(text: str) -> dict[KeyPath, int]:
    """The line (from 1) on which each key path of a valid TOML text first stands."""
    return _Scanner(text.replace("\r\n", "\n")).run()


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """The line of ``path``, or of its nearest enclosing table that stands in the text."""
    for end in range(len(path), 0, -1):
        if (line := lines.get(path[:end])) is not None:
            return line
    return None


def show_path(path: KeyPath) -> str:
    """A key path for people: ``part.pump.bit_rates #2``; array positions count from 1."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f" #{step + 1}"
        else:
            short = step if len(step) <= _LONG else f"{step[:_LONG]}…"
            quoted = short if _BARE.fullmatch(step) else f'"{short}"'
            text += f".{quoted}" if text else quoted
    return text


class _Scanner:
    """One pass over the text; ``lines`` grows as keys are met."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self.counts: dict[KeyPath, int] = {}
        """Elements so far of each array of tables."""
        self.counted = 0
        self.newlines = 0

    def run(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        self.skip(_GAP)
        while self.at < len(self.text):
            if self.text.startswith("[[", self.at):
                table = self.header(2)
            elif self.text.startswith("[", self.at):
                table = self.header(1)
            else:
                self.pair(table)
            self.skip(_GAP)
        return self.lines

    def header(self, brackets: int) -> KeyPath:
        """``[a.b]`` or ``[[a.b]]``: the path of the table it opens."""
        self.at += brackets
        *outer, last = self.key()
        path: KeyPath = ()
        for name in outer:
            path = self.enter((*path, name))
        path = (*path, last)
        self.note(path)
        if brackets == 2:
            self.counts[path] = self.counts.get(path, 0) + 1
            path = (*path, self.counts[path] - 1)
            self.note(path)
        self.at += brackets
        return path

    def enter(self, path: KeyPath) -> KeyPath:
        """A header's outer name means the newest element where it names an array of tables."""
        self.note(path)
        return (*path, self.counts[path] - 1) if path in self.counts else path

    def pair(self, table: KeyPath) -> None:
        """``a.b = value`` inside ``table``."""
        path = table
        for name in self.key():
            path = (*path, name)
            self.note(path)
        self.at += 1  # the equals sign
        self.skip(_BLANK)
        self.value(path)

    def value(self, path: KeyPath) -> None:
        opening = self.text[self.at]
        if opening == "[":
            self.items(path, "]")
        elif opening == "{":
            self.items(path, "}")
        elif not self.string():
            self.skip(_SCALAR)

    def items(self, path: KeyPath, closing: str) -> None:
        """The elements of an array or the pairs of an inline table."""
        self.at += 1
        self.skip(_GAP)
        index = 0
        while self.text[self.at] != closing:
            if closing == "]":
                self.note((*path, index))
                self.value((*path, index))
                index += 1
            else:
                self.pair(path)
            self.skip(_GAP)
            if self.text[self.at] == ",":
                self.at += 1
                self.skip(_GAP)
        self.at += 1

    def key(self) -> list[str]:
        """A dotted key, its parts unquoted; ends on the character after it."""
        parts = []
        while True:
            self.skip(_BLANK)
            start = self.at
            if self.string():
                parts.append(_unquote(self.text[start : self.at]))
            else:
                self.skip(_BARE)
                parts.append(self.text[start : self.at])
            self.skip(_BLANK)
            if not self.text.startswith(".", self.at):
                return parts
            self.at += 1

    def string(self) -> bool:
        """Step over a string, if one starts here."""
        for pattern in _STRINGS:
            if match := pattern.match(self.text, self.at):
                self.at = match.end()
                return True
        return False

    def skip(self, pattern: re.Pattern[str]) -> None:
        if match := pattern.match(self.text, self.at):
            self.at = match.end()

    def note(self, path: KeyPath) -> None:
        """Remember the current line for ``path``, unless it is known already."""
        self.newlines += self.text.count("\n", self.counted, self.at)
        self.counted = self.at
        self.lines.setdefault(path, self.newlines + 1)


def _unquote(quoted: str) -> str:
    value = tomllib.loads(f"k = {quoted}")["k"]
    return str(value)
