"""Huge figures out of plain blocks, readable from across the shop. Five rows high."""

from __future__ import annotations

_GLYPHS = {
    "0": "###/#.#/#.#/#.#/###",
    "1": ".#./##./.#./.#./###",
    "2": "###/..#/###/#../###",
    "3": "###/..#/.##/..#/###",
    "4": "#.#/#.#/###/..#/..#",
    "5": "###/#../###/..#/###",
    "6": "###/#../###/#.#/###",
    "7": "###/..#/..#/.#./.#.",
    "8": "###/#.#/###/#.#/###",
    "9": "###/#.#/###/..#/###",
    ".": "././././#",
    "-": ".../.../###/.../...",
    "+": ".../.#./###/.#./...",
    "%": "#.#/..#/.#./#../#.#",
    " ": "../../../../..",
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


def figure_width(text: str, scale: int = 1) -> int:
    """Columns that :func:`draw_figure` needs."""
    parts = [_glyph(c) for c in text]
    return sum(len(g[0]) for g in parts) * scale + max(len(parts) - 1, 0) * scale


def draw_figure(text: str, across: int = 1, down: int = 1) -> list[str]:
    """``text`` in blocks: each point ``across`` columns wide and ``down`` rows high."""
    rows = []
    for y in range(HEIGHT):
        points = ".".join(_glyph(c)[y] for c in text)
        row = "".join(("█" if p == "#" else " ") * across for p in points)
        rows += [row] * down
    return rows


def best_scale(text: str, columns: int, rows: int) -> tuple[int, int]:
    """The greatest (across, down) that fits; points stay between square and twice as high."""
    across = max(columns // max(figure_width(text), 1), 1)
    down = max(rows // HEIGHT, 1)
    return min(across, 2 * down), min(down, across)


def _glyph(character: str) -> list[str]:
    return _GLYPHS.get(character, _GLYPHS["-"]).split("/")
