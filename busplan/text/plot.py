"""Curves and maps over time as lines of runs, two rows of dots in a character."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from busplan.findings import Weight
from busplan.replay.pack_state import Grade
from busplan.text.grades import OF_GRADE
from busplan.text.load_bar import LOAD_ROLES
from busplan.text.runs import FAINT, HEAD, PLAIN, Line, merge
from busplan.wire.load_limit import Standing, standing

F64 = npt.NDArray[np.float64]
TRACES = ("trace", "trace-2", "trace-3", "trace-4")
MOST_DECIMALS = 6
_STEPS = " ▁▂▃▄▅▆▇█"
_MAP_PIECES = np.array([{Grade.MISSING: " ", Grade.EVEN: "·"}.get(g, g.mark) for g in Grade])
_MAP_ROLES = [*(FAINT if g == Grade.EVEN else OF_GRADE[g] for g in Grade), HEAD]


class Curve(NamedTuple):
    """Values of one curve, one for each column, and its role; a ``thin`` one is a fine line."""

    values: F64
    role: str
    thin: bool = False


def scale_of(parts: Sequence[F64], least: float = 0.0) -> tuple[float, float]:
    """The lowest and highest of all values, at least ``least`` apart; (0, 1) without any."""
    seen = [p[~np.isnan(p)] for p in parts]
    joined = np.concatenate(seen) if seen else np.empty(0)
    if not len(joined):
        return 0.0, 1.0
    low, high = float(joined.min()), float(joined.max())
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
    return (low, high) if high > low else (low - 0.5, high + 0.5)


def draw_curves(
    curves: Sequence[Curve],
    rows: int,
    *,
    band: tuple[F64, F64] | None = None,
    cursor: int | None = None,
    unit: str = "",
    least: float = 0.0,
    decimals: int = 3,
) -> list[Line]:
    """Curves on one scale, the last one on top, with a shaded band behind and axis labels.

    Labels have ``decimals``, and more where lowest and highest would read the same.
    """
    parts = [c.values for c in curves] + list(band or ())
    low, high = scale_of(parts, least)
    columns = max((len(p) for p in parts), default=0)
    dots = max(rows, 2) * 2

    def level(values: F64) -> npt.NDArray[np.int64]:
        at = np.where(np.isnan(values), -1.0, (values - low) / (high - low) * (dots - 1))
        return np.rint(at).astype(np.int64)

    owner = np.full((dots, columns), -1, np.int64)
    joins = np.full((dots, columns), -1, np.int64)
    shade = np.zeros((dots, columns), np.bool_)
    if band is not None:
        bottom, top = level(band[0]), level(band[1])
        heights = np.arange(dots)[:, None]
        shade = (heights >= bottom) & (heights <= top) & (bottom >= 0)
    for n, curve in enumerate(curves):
        at = level(curve.values)
        seen = np.flatnonzero(at >= 0)
        owner[at[seen], seen] = n
        apart = (at[1:] >= 0) & (at[:-1] >= 0) & (np.abs(np.diff(at)) > 1)
        for x in (np.flatnonzero(apart) + 1).tolist():
            low_end, high_end = sorted((int(at[x]), int(at[x - 1])))
            joins[low_end + 1 : high_end, x] = n
    while f"{high:.{decimals}f}" == f"{low:.{decimals}f}" and decimals < MOST_DECIMALS:
        decimals += 1
    labels = [f"{high:.{decimals}f}", f"{low:.{decimals}f} {unit}".rstrip()]
    lead = max(len(label) for label in labels) + 1
    # From the top down, two rows of dots in one of characters.
    above, below = owner[::-1][::2], owner[::-1][1::2]
    front, join = np.maximum(above, below), np.maximum(joins[::-1][::2], joins[::-1][1::2])
    shaded = shade[::-1][::2] | shade[::-1][1::2]
    thin = np.array([*(c.thin for c in curves), False])[front]
    roles = [*(c.role for c in curves), "band", PLAIN, HEAD]
    band_role, plain_role, cursor_role = range(len(curves), len(curves) + 3)
    piece = np.select(
        [thin, (above >= 0) & (below >= 0), above >= 0, below >= 0, join >= 0, shaded],
        ["─", "█", "▀", "▄", "│", "░"],
        " ",
    )
    role = np.select([front >= 0, join >= 0, shaded], [front, join, band_role], plain_role)
    if cursor is not None and 0 <= cursor < columns:
        free = role[:, cursor] >= band_role
        piece[free, cursor], role[free, cursor] = "│", cursor_role
    lines: list[Line] = []
    for row in range(dots // 2):
        label = labels[0] if row == 0 else labels[1] if row == dots // 2 - 1 else ""
        lead_run = (label.rjust(lead - 1) + "│", FAINT)
        lines.append(merge([lead_run, *grouped(piece[row], role[row], roles)]))
    return lines


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
