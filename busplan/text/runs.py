"""Lines of text as runs: pieces with the role they play, whatever the medium makes of it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from busplan.findings import Weight
from busplan.text.shorten import shortened

Run = tuple[str, str]
"""A piece of text and the role it plays; the terminal's look gives each role a style."""
Line = list[Run]

PLAIN, FAINT, HEAD = "plain", "faint", "head"

OF_WEIGHT = {Weight.NOTE: "note", Weight.CAUTION: "caution", Weight.FAULT: "fault"}


def text(line: Line) -> str:
    """The line without roles or trailing blanks."""
    return "".join(piece for piece, _ in line).rstrip()


def width(line: Line) -> int:
    """Characters in the line."""
    return sum(len(piece) for piece, _ in line)


def clip(line: Line, columns: int) -> Line:
    """At most ``columns`` characters; a cut piece ends in ``…``."""
    if width(line) <= columns:
        return line
    if columns <= 0:
        return []
    out: Line = []
    room = columns - 1
    for piece, role in line:
        out.append((piece[:room], role))
        room -= len(piece)
        if room < 0:
            break
    last, role = out[-1]
    out[-1] = (f"{last}…", role)
    return out


def fill(line: Line, columns: int, role: str = PLAIN) -> Line:
    """Exactly ``columns`` characters."""
    line = clip(line, columns)
    return [*line, (" " * (columns - width(line)), role)]


def beside(left: Sequence[Line], right: Sequence[Line], columns: int, gap: int = 2) -> list[Line]:
    """Two blocks side by side; the left one ``columns`` wide."""
    rows = max(len(left), len(right))
    out: list[Line] = []
    for i in range(rows):
        line = fill(left[i] if i < len(left) else [], columns)
        out.append([*line, (" " * gap, PLAIN), *(right[i] if i < len(right) else [])])
    return out


def wrap(sentence: str, columns: int, role: str = PLAIN, indent: int = 0) -> list[Line]:
    """A sentence over several lines, later ones indented."""
    words = " ".join(sentence.split())
    return [[(line, role)] for line in wrapped(words, max(columns, 8), rest=" " * indent)]


_BLANK = r" \t\n\r\f\v"
_WORD = re.compile(rf"([{_BLANK}]*)((?:[^{_BLANK}]|(?<=\d) (?=%))+)")
"""Blanks and a word after them; a number and its percent sign are one word."""
_FIGURE = re.compile(rf"([{_BLANK}]*)((?:[^{_BLANK}]|(?<=\d) (?=[%A-Za-zΩ°µ]))+)")
"""The same, with a number and any unit as one word."""


LONGEST_WORD = 400
"""Longer words are no names that anybody wrote: those of a node and of its message in a plan."""
_LEAST_CUT = 20


def wrapped(
    sentence: str, columns: int, *, first: str = "", rest: str = "", figures: bool = False
) -> list[str]:
    """A sentence as lines of at most ``columns``, each as full as it can be.

    The first line begins with ``first`` and the others with ``rest``. No word is torn, no number
    is parted from its percent sign, and with ``figures`` from no unit. What is longer than
    :data:`LONGEST_WORD` is cut to a line, as :func:`busplan.text.shorten.shortened` marks it.
    """
    lines: list[str] = []
    for gap, word in (_FIGURE if figures else _WORD).findall(sentence):
        if len(word) > LONGEST_WORD:
            word = shortened([word], max(columns - len(rest), _LEAST_CUT))[word]
        if not lines:
            lines.append(first + " " * len(gap) + word)
        elif len(lines[-1]) + len(gap) + len(word) <= columns:
            lines[-1] += " " * len(gap) + word
        else:
            lines.append(rest + word)
    return lines


def flow(parts: Iterable[Line], columns: int, lead: Line, gap: int = 2) -> list[Line]:
    """Parts one after the other, over as many lines as they take; ``lead`` stands before the first.

    No part is torn unless it is wider than a line; then it goes on below.
    """
    indent = width(lead)
    lines: list[Line] = [list(lead)]
    used = indent
    for part in parts:
        space = gap if used > indent else 0
        if used > indent and used + space + width(part) > columns:
            lines.append([(" " * indent, PLAIN)])
            used, space = indent, 0
        if used + space + width(part) > columns:
            first, *more = fold(part, columns - used)
            lines[-1] += first
            lines += [[(" " * indent, PLAIN), *line] for line in more]
        else:
            lines[-1] += [(" " * space, PLAIN), *part]
        used = width(lines[-1])
    return lines


def fold(line: Line, columns: int, indent: int = 0) -> list[Line]:
    """A line over several, later ones indented, broken at blanks where there are any."""
    lines: list[Line] = []
    rest = line
    while width(rest) > columns > indent:
        whole = "".join(piece for piece, _ in rest)
        start = indent if lines else 0
        cut = whole.rfind(" ", start + 1, columns + 1)
        cut = columns if cut <= start else cut
        lines.append(_part(rest, 0, cut))
        left = len(whole[cut:]) - len(whole[cut:].lstrip(" "))
        rest = [(" " * indent, PLAIN), *_part(rest, cut + left, len(whole))]
    return [*lines, rest] if text(rest) or not lines else lines


def marked(line: Line, column: int) -> Line:
    """The line with one column on the ground of the present moment."""
    here = [(piece, f"{role}+span") for piece, role in _part(line, column, column + 1)]
    return [*_part(line, 0, column), *here, *_part(line, column + 1, width(line))]


def _part(line: Line, start: int, stop: int) -> Line:
    out: Line = []
    at = 0
    for piece, role in line:
        inside = piece[max(start - at, 0) : max(stop - at, 0)]
        if inside:
            out.append((inside, role))
        at += len(piece)
    return out


def clock_text(t_ns: int) -> str:
    """A moment as ``0:05:12.3``; minutes and seconds always have two digits."""
    tenths = t_ns // 100_000_000
    seconds, tenth = divmod(tenths, 10)
    minutes, second = divmod(seconds, 60)
    hours, minute = divmod(minutes, 60)
    return f"{hours}:{minute:02}:{second:02}.{tenth}"


def span_text(ns: float) -> str:
    """A length of time in its natural unit, six characters at most."""
    if ns < 1e6:
        return f"{ns / 1e3:.0f} µs"
    if ns < 9.9995e8:
        return f"{ns / 1e6:.0f} ms"
    if ns < 99.95e9:
        return f"{ns / 1e9:.1f} s"
    if ns < 5.9e12:
        return f"{ns / 60e9:.0f} min"
    return f"{ns / 3600e9:.0f} h"


INK = frozenset(
    {
        *(PLAIN, FAINT, HEAD, "strong", "stale", "missing", "changed", "low", "high"),
        *("trace", "trace-2", "trace-3", "trace-4", "grid", "hatch", "figure", "title-text"),
        *("limit-caution", "limit-fault", "limit-caution-lit", "limit-fault-lit"),
    }
)
"""Roles that colour the letters alone, so that blanks look the same in each of them."""


def merge(line: Iterable[Run]) -> Line:
    """Neighbouring runs of one role joined, and blanks with the run before them."""
    out: Line = []
    for piece, role in line:
        if out and (out[-1][1] == role or (role in INK and out[-1][1] in INK and piece.isspace())):
            out[-1] = (out[-1][0] + piece, out[-1][1])
        else:
            out.append((piece, role))
    return out
