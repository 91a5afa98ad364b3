"""Maps and loads over time as lines of runs."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from busplan.findings import Weight
from busplan.frames.columns import F64
from busplan.replay.pack_state import Grade
from busplan.text.grades import OF_GRADE
from busplan.text.load_bar import LOAD_ROLES
from busplan.text.runs import FAINT, HEAD, Line, merge
from busplan.wire.load_limit import Standing, standing

_STEPS = " ▁▂▃▄▅▆▇█"
_MAP_PIECES = np.array([{Grade.MISSING: " ", Grade.EVEN: "·"}.get(g, g.mark) for g in Grade])
_MAP_ROLES = [*(FAINT if g == Grade.EVEN else OF_GRADE[g] for g in Grade), HEAD]


def grouped(
    pieces: npt.NDArray[np.str_], role: npt.NDArray[np.integer], names: Sequence[str]
) -> Line:
    """Single characters and the numbers of their roles as runs."""
    text = "".join(pieces.tolist())
    edges = [0, *(np.flatnonzero(np.diff(role)) + 1).tolist(), len(text)]
    numbers = role.tolist()
    return [(text[a:b], names[numbers[a]]) for a, b in pairwise(edges) if a < b]


def draw_map(names: Sequence[str], grade: npt.NDArray[np.int8], cursor: int | None) -> list[Line]:
    """Grades of peers over time, one line each: a dot where even, else the grade's mark."""
    lead = max((len(n) for n in names), default=0) + 1
    lines: list[Line] = []
    for name, row in zip(names, grade, strict=True):
        piece, role = _MAP_PIECES[row], row.astype(np.int64)
        inside = cursor is not None and 0 <= cursor < len(row)
        if inside and row[cursor] in (Grade.EVEN, Grade.MISSING):
            piece[cursor], role[cursor] = "│", len(Grade)
        lines.append(merge([(name.ljust(lead), HEAD), *grouped(piece, role, _MAP_ROLES)]))
    return lines


def draw_load(load: F64, limit: float, rows: int = 1) -> list[Line]:
    """Load over time on a fixed scale of 0 to 100 %, eight steps in a row.

    From two rows on the limit is a line of dashes, at the foot or in the middle of its row, also
    inside what reaches over it; a single row has ``!`` there.
    """
    steps = np.clip(np.rint(load * 8 * rows), np.where(load > 0.001, 1, 0), 8 * rows).astype(int)
    halves = min(round(limit * rows * 2), 2 * rows - 1)
    dash = "-" if halves % 2 else "_"
    lines: list[Line] = []
    for row in range(rows - 1, -1, -1):
        line: Line = []
        for value, total in zip(load.tolist(), steps.tolist(), strict=True):
            step = min(max(total - 8 * row, 0), 8)
            stands = standing(value, limit)
            over = stands is Standing.OVER
            if rows == 1 and over:
                line.append((Weight.CAUTION.mark, "over"))
            elif rows > 1 and row == halves // 2 and (over or not step):
                line.append((dash, "limit-in" if over else FAINT))
            else:
                line.append((_STEPS[step], LOAD_ROLES[stands]))
        lines.append(merge(line))
    return lines
