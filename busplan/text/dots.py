"""Dots finer than characters: quarters of a cell by default; halves, braille, plain characters."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np

from busplan.frames.columns import I64
from busplan.text.canvas import Pieces

Drawing = Literal["quadrant", "half", "braille", "ascii"]
DRAWINGS: tuple[Drawing, ...] = ("quadrant", "half", "braille", "ascii")


class Shape(NamedTuple):
    """Dots of one character, and the character of each set of them.

    Bit 0 of a set is the dot at the upper left, the next ones follow to the right, then below.
    """

    wide: int
    high: int
    glyphs: Pieces


_BRAILLE_BITS = (0x01, 0x08, 0x02, 0x10, 0x04, 0x20, 0x40, 0x80)
"""Unicode 15, block Braille Patterns: bits of the dots 1, 4, 2, 5, 3, 6, 7, 8, row by row."""


def _braille(dots: int) -> str:
    return chr(0x2800 + sum(bit for i, bit in enumerate(_BRAILLE_BITS) if dots >> i & 1))


SHAPES: dict[Drawing, Shape] = {
    "quadrant": Shape(2, 2, np.array(list(" ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"))),
    "half": Shape(1, 2, np.array(list(" ▀▄█"))),
    "braille": Shape(2, 4, np.array([" ", *map(_braille, range(1, 256))])),
    "ascii": Shape(1, 2, np.array(list(" '.:"))),
}


class Pen(NamedTuple):
    """How curves are drawn: kind of dots, how many of them a line is thick, in colour or not."""

    drawing: Drawing = "quadrant"
    thick: int = 1
    colour: bool = True

    @property
    def shape(self) -> Shape:
        """Its dots."""
        return SHAPES[self.drawing]


def to_cells(owner: I64, shape: Shape) -> tuple[Pieces, I64, I64]:
    """Dots, each with the number of the curve it belongs to or −1, as characters.

    ``owner`` has shape ``(rows * high, columns * wide)``. Gives characters, whose ink and whose
    ground each is, of shape ``(rows, columns)``. The highest number is in front; another curve
    takes the ground where both together fill the cell.
    """
    rows, columns = owner.shape[0] // shape.high, owner.shape[1] // shape.wide
    split = owner.reshape(rows, shape.high, columns, shape.wide).swapaxes(1, 2)
    cells = split.reshape(rows, columns, shape.high * shape.wide)
    front = cells.max(axis=2)
    mine = (cells == front[..., None]) & (front >= 0)[..., None]
    dots = (mine << np.arange(cells.shape[2])).sum(axis=2)
    back = np.where(mine, -1, cells).max(axis=2)
    full = cells.min(axis=2) >= 0
    return shape.glyphs[dots], front, np.where(full, back, -1)


def sample_card() -> list[tuple[Drawing, list[str]]]:
    """The same wave in each kind of dots, two rows high: whichever looks whole can be used."""
    found = []
    for drawing, shape in SHAPES.items():
        wide, high = 24 * shape.wide, 3 * shape.high
        wave = (np.sin(np.arange(wide) / wide * 4 * np.pi) + 1) / 2 * (high - 1)
        owner = np.full((high, wide), -1, np.int64)
        level = high - 1 - np.rint(wave).astype(np.int64)
        for x in range(wide):
            a, b = sorted((int(level[max(x - 1, 0)]), int(level[x])))
            owner[a : b + 1, x] = 0
        pieces, _, _ = to_cells(owner, shape)
        found.append((drawing, ["".join(row) for row in pieces.tolist()]))
    return found
