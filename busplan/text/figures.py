"""Huge figures out of plain blocks, readable from across the shop. Five rows high."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from typing import NamedTuple

_GLYPHS = {
    "0": "###/#.#/#.#/#.#/###",
    "1": "..#/.##/..#/..#/..#",
    "2": "###/..#/###/#../###",
    "3": "###/..#/###/..#/###",
    "4": "#.#/#.#/###/..#/..#",
    "5": "###/#../###/..#/###",
    "6": "###/#../###/#.#/###",
    "7": "###/..#/..#/..#/..#",
    "8": "###/#.#/###/#.#/###",
    "9": "###/#.#/###/..#/###",
    ".": "././././#",
    "-": ".../.../###/.../...",
    "+": ".../.#./###/.#./...",
    "%": "#.#/..#/.#./#../#.#",
    " ": "./././././.",
    "A": "###/#.#/###/#.#/#.#",
    "B": "##./#.#/##./#.#/##.",
    "C": "###/#../#../#../###",
    "D": "##./#.#/#.#/#.#/##.",
    "E": "###/#../##./#../###",
    "F": "###/#../##./#../#..",
    "G": "####/#.../#.##/#..#/####",
    "H": "#.#/#.#/###/#.#/#.#",
    "I": "#/#/#/#/#",
    "J": "..#/..#/..#/#.#/###",
    "K": "#..#/#.#./##../#.#./#..#",
    "L": "#../#../#../#../###",
    "M": "#...#/##.##/#.#.#/#...#/#...#",
    "N": "#..#/##.#/#.##/#..#/#..#",
    "O": "###/#.#/#.#/#.#/###",
    "P": "###/#.#/###/#../#..",
    "Q": "####/#..#/#..#/#.##/####",
    "R": "##./#.#/##./#.#/#.#",
    "S": "###/#../###/..#/###",
    "T": "###/.#./.#./.#./.#.",
    "U": "#.#/#.#/#.#/#.#/###",
    "V": "#.#/#.#/#.#/#.#/.#.",
    "W": "#...#/#...#/#.#.#/##.##/#...#",
    "X": "#.#/#.#/.#./#.#/#.#",
    "Y": "#.#/#.#/.#./.#./.#.",
    "Z": "###/..#/.#./#../###",
}
HEIGHT = 5


class Scale(NamedTuple):
    """Size of a figure: columns of a stroke, columns of a thin point, rows of a point."""

    stroke: int = 1
    thin: int = 1
    down: int = 1


def figure_width(text: str, scale: Scale = Scale()) -> int:
    """Columns of ``text``, one gap of a thin point between characters."""
    return sum(len(_drawn(c, scale)[0]) for c in text) + scale.thin * max(len(text) - 1, 0)


def draw_figure(text: str, scale: Scale = Scale()) -> list[str]:
    """``text`` in blocks, ``HEIGHT * scale.down`` rows."""
    rows = []
    for y in range(HEIGHT):
        rows += [(" " * scale.thin).join(_drawn(c, scale)[y] for c in text)] * scale.down
    return rows


def scales(rows: int) -> Iterator[Scale]:
    """All scales for figures in so many rows: the highest first, then the widest.

    A point is about twice as high as wide on a terminal, so that strokes of two columns for each
    row look square; they never get wider than that, nor narrower than half of it.
    """
    for down in range(max(rows // HEIGHT, 1), 0, -1):
        for stroke in range(2 * down, down - 1, -1):
            for thin in range(stroke, (stroke - 1) // 2, -1):
                yield Scale(stroke, thin, down)


def best_scale(text: str, columns: int, rows: int) -> Scale:
    """The highest figure that fits, then the widest; the smallest when none does."""
    fitting = (scale for scale in scales(rows) if figure_width(text, scale) <= columns)
    return next(fitting, Scale())


@cache
def _drawn(character: str, scale: Scale) -> tuple[str, ...]:
    """The rows of a character, each once."""
    glyph = _glyph(character)
    widths = _widths(glyph, scale)
    return tuple(
        "".join(
            ("█" if point == "#" else " ") * wide for point, wide in zip(row, widths, strict=True)
        )
        for row in glyph
    )


def _widths(glyph: list[str], scale: Scale) -> list[int]:
    """Columns of each point: outer ones and those of an upright line are strokes, a dot is thin."""
    last = len(glyph[0]) - 1
    if glyph == _glyph("."):
        return [scale.thin]
    upright = [any(a[x] == b[x] == "#" for a, b in pairwise(glyph)) for x in range(last + 1)]
    return [scale.stroke if x in (0, last) or upright[x] else scale.thin for x in range(last + 1)]


def _glyph(character: str) -> list[str]:
    return _GLYPHS.get(character, _GLYPHS["-"]).split("/")
