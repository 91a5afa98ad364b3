"""A drawing as an array of characters, each with a role for its ink and one for its ground."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from busplan.text.runs import INK, PLAIN, Line

Pieces = npt.NDArray[np.str_]
Roles = npt.NDArray[np.int16]

_NUMBERS: dict[str, int] = {PLAIN: 0}
_NAMES: list[str] = [PLAIN]


def role_number(name: str) -> int:
    """The number under which a canvas holds a role."""
    if name not in _NUMBERS:
        _NUMBERS[name] = len(_NAMES)
        _NAMES.append(name)
    return _NUMBERS[name]


class Canvas:
    """Characters of shape ``(rows, columns)``; what is drawn outside is cut off."""

    def __init__(self, rows: int, columns: int, ground: str = PLAIN) -> None:
        self.rows, self.columns = max(rows, 0), max(columns, 0)
        shape = (self.rows, self.columns)
        self.piece: Pieces = np.full(shape, " ", "<U1")
        self.ink: Roles = np.zeros(shape, np.int16)
        self.ground: Roles = np.full(shape, role_number(ground), np.int16)

    def write(self, y: int, x: int, text: str, role: str = PLAIN, *, ground: str = "") -> None:
        """Write text from a place on."""
        start, stop = max(x, 0), min(x + len(text), self.columns)
        if 0 <= y < self.rows and start < stop:
            self.piece[y, start:stop] = list(text[start - x : stop - x])
            self.ink[y, start:stop] = role_number(role)
            if ground:
                self.ground[y, start:stop] = role_number(ground)

    def run(self, y: int, x: int, line: Line) -> None:
        """Write runs from a place on."""
        for piece, role in line:
            self.write(y, x, piece, role)
            x += len(piece)

    def fill(self, y: int, x: int, rows: int, columns: int, ground: str) -> None:
        """Give a rectangle a ground."""
        self.ground[max(y, 0) : max(y + rows, 0), max(x, 0) : max(x + columns, 0)] = role_number(
            ground
        )

    def paste(self, y: int, x: int, other: Canvas, skip: int = 0) -> None:
        """Put another drawing, without its first ``skip`` columns, at a place inside this one."""
        rows, columns = min(other.rows, self.rows - y), min(other.columns - skip, self.columns - x)
        if rows > 0 and columns > 0:
            for mine, theirs in (
                (self.piece, other.piece),
                (self.ink, other.ink),
                (self.ground, other.ground),
            ):
                mine[y : y + rows, x : x + columns] = theirs[:rows, skip : skip + columns]

    def differs(self, other: Canvas) -> npt.NDArray[np.bool_]:
        """Where a drawing of the same size is another one; ``(rows, columns)``."""
        pieces = [np.ascontiguousarray(c.piece).view(np.uint32) for c in (self, other)]
        found = (pieces[0] != pieces[1]) | (self.ink != other.ink) | (self.ground != other.ground)
        return np.asarray(found)

    def lines(self) -> list[Line]:
        """The drawing as lines of runs."""
        return [self.line(y) for y in range(self.rows)]

    def line(self, y: int) -> Line:
        """One row as runs; blanks go on in the ink before them, which nobody can see there."""
        ink, ground = self.ink[y], self.ground[y]
        solid = self.piece[y] != " "
        before = np.maximum.accumulate(np.where(solid, np.arange(self.columns), 0))
        unseen = ~solid & (ground[before] == ground) & _letters_alone()[ink]
        lent = ink[before]
        ink = np.where(unseen & _letters_alone()[lent], lent, ink)
        key = ink.astype(np.int64) * _MOST + ground
        edges = [0, *(np.flatnonzero(np.diff(key)) + 1).tolist(), self.columns]
        text = "".join(self.piece[y].tolist())
        return [(text[a:b], _name(int(key[a]))) for a, b in pairwise(edges) if a < b]


def _letters_alone() -> npt.NDArray[np.bool_]:
    """Of each number of a role whether it colours letters alone, so that a blank shows nothing."""
    global _ALONE
    if len(_ALONE) != len(_NAMES):
        _ALONE = np.array([name in INK for name in _NAMES])
    return _ALONE


_ALONE: npt.NDArray[np.bool_] = np.zeros(0, np.bool_)
_MOST = 1 << 16
_JOINED: dict[int, str] = {}


def _name(key: int) -> str:
    """The role of an ink over a ground."""
    found = _JOINED.get(key)
    if found is None:
        ink, ground = divmod(key, _MOST)
        parts = [name for name in (_NAMES[ground], _NAMES[ink]) if name != PLAIN]
        found = _JOINED[key] = "+".join(parts) or PLAIN
    return found
