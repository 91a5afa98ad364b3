"""A board as values: its tiles on a grid of twelve by twelve, its limits, its notes' presets."""

from __future__ import annotations

from dataclasses import dataclass, field

from busplan.board.limits import Limit
from busplan.board.quantities import Take
from busplan.board.spec import GRID, Kind

SMALL = (3, 3)
"""Columns and rows of a tile where its usual size has no room."""


@dataclass(frozen=True, slots=True)
class Tile:
    """One tile: ``at`` (column, row) and ``size`` (columns, rows) on the grid.

    ``subjects`` are what it shows (see :mod:`busplan.board.quantities`), ``unknown`` the selectors
    that the vehicle has no signal for: they keep their place. ``written`` are the selectors as the
    file has them.
    """

    show: Kind
    at: tuple[int, int]
    size: tuple[int, int]
    subjects: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    written: tuple[str, ...] = ()
    take: Take | None = None
    range: tuple[float, float] | None = None
    title: str = ""
    decimals: int | None = None
    window_ns: int | None = None
    bad: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Board:
    """Tiles under a name; ``window_ns`` is how far back its charts look, ``None``: all."""

    name: str
    tiles: tuple[Tile, ...]
    window_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Boards:
    """All boards of a file with its limits. ``source`` is the file; empty: nobody wrote one."""

    boards: tuple[Board, ...]
    limits: tuple[Limit, ...] = ()
    presets: tuple[str, ...] = ()
    blink: bool = True
    source: str = ""
    missing: tuple[str, ...] = field(default=())
    """Selectors of limits that the vehicle has no signal for."""


@dataclass(frozen=True, slots=True)
class Rect:
    """A rectangle of characters."""

    x: int
    y: int
    columns: int
    rows: int

    def holds(self, x: int, y: int) -> bool:
        """Whether a character lies inside."""
        return self.x <= x < self.x + self.columns and self.y <= y < self.y + self.rows


def rect_of(tile: Tile, columns: int, rows: int) -> Rect:
    """Where a tile stands on a drawing of so many characters; its last column is left free.

    Edges of the grid are rounded to characters, so that neighbours touch and never overlap.
    """

    def edge(step: int, whole: int) -> int:
        return (2 * step * whole + GRID) // (2 * GRID)

    left, top = edge(tile.at[0], columns), edge(tile.at[1], rows)
    right = edge(min(tile.at[0] + tile.size[0], GRID), columns)
    bottom = edge(min(tile.at[1] + tile.size[1], GRID), rows)
    gap = 1 if right < columns and right - left > 8 else 0
    return Rect(left, top, max(right - left - gap, 0), max(bottom - top, 0))


def free_place(board: Board, size: tuple[int, int]) -> tuple[int, int] | None:
    """The first place, row by row, where a tile of a size covers nothing; ``None``: nowhere."""
    taken = {
        (x, y)
        for tile in board.tiles
        for x in range(tile.at[0], tile.at[0] + tile.size[0])
        for y in range(tile.at[1], tile.at[1] + tile.size[1])
    }
    for y in range(GRID - size[1] + 1):
        for x in range(GRID - size[0] + 1):
            if not any((x + i, y + j) in taken for i in range(size[0]) for j in range(size[1])):
                return x, y
    return None


def place_among(
    boards: Boards, shown: int, size: tuple[int, int]
) -> tuple[int, tuple[int, int], tuple[int, int]] | None:
    """The board, place and size of a further tile: on the shown board, small if need be, else on
    the first other one that has room for it; ``None``: every board is full.
    """
    others = [n for n in range(len(boards.boards)) if n != shown]
    for number, wanted in ((shown, size), (shown, SMALL), *((n, size) for n in others)):
        place = free_place(boards.boards[number], wanted)
        if place is not None:
            return number, place, wanted
    return None
