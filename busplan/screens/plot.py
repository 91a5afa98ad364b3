"""Curves and maps over time as lines of runs, two rows of dots in a character."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from busplan.replay.pack import Grade
from busplan.screens.runs import FAINT, HEAD, OF_GRADE, PLAIN, Line, merge

F64 = npt.NDArray[np.float64]
TRACES = ("trace", "trace-2", "trace-3", "trace-4")
_STEPS = " ▁▂▃▄▅▆▇█"


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
    """Curves on one scale, the last one on top, with a shaded band behind and axis labels."""
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
        seen = np.flatnonzero(at >= 0).tolist()
        for x in seen:
            owner[at[x], x] = n
        for x in seen:
            if x and at[x - 1] >= 0 and abs(at[x] - at[x - 1]) > 1:
                low_end, high_end = sorted((int(at[x]), int(at[x - 1])))
                joins[low_end + 1 : high_end, x] = n
    labels = [f"{high:.{decimals}f}", f"{low:.{decimals}f} {unit}".rstrip()]
    lead = max(len(label) for label in labels) + 1
    lines: list[Line] = []
    for row in range(dots // 2):
        upper, lower = dots - 1 - 2 * row, dots - 2 - 2 * row
        label = labels[0] if row == 0 else labels[1] if row == dots // 2 - 1 else ""
        line: Line = [(label.rjust(lead - 1) + "│", FAINT)]
        for x in range(columns):
            above, below = int(owner[upper, x]), int(owner[lower, x])
            front = max(above, below)
            if front >= 0 and curves[front].thin:
                piece, role = "─", curves[front].role
            elif above >= 0 and below >= 0:
                piece, role = "█", curves[front].role
            elif above >= 0:
                piece, role = "▀", curves[above].role
            elif below >= 0:
                piece, role = "▄", curves[below].role
            elif joins[upper, x] >= 0 or joins[lower, x] >= 0:
                piece, role = "│", curves[max(joins[upper, x], joins[lower, x])].role
            elif shade[upper, x] or shade[lower, x]:
                piece, role = "░", "band"
            else:
                piece, role = " ", PLAIN
            if cursor == x and piece in " ░":
                piece, role = "│", HEAD
            line.append((piece, role))
        lines.append(merge(line))
    return lines


def draw_map(names: Sequence[str], grade: npt.NDArray[np.int8], cursor: int | None) -> list[Line]:
    """Grades of peers over time, one line each: a dot where even, else the grade's mark."""
    lead = max((len(n) for n in names), default=0) + 1
    lines: list[Line] = []
    for name, row in zip(names, grade, strict=True):
        line: Line = [(name.ljust(lead), HEAD)]
        for x, value in enumerate(row):
            each = Grade(int(value))
            piece = " " if each == Grade.MISSING else "·" if each == Grade.EVEN else each.mark
            role = FAINT if each == Grade.EVEN else OF_GRADE[each]
            if x == cursor and each in (Grade.EVEN, Grade.MISSING):
                piece, role = "│", HEAD
            line.append((piece, role))
        lines.append(merge(line))
    return lines


def draw_load(load: F64, limit: float, rows: int = 1) -> list[Line]:
    """Load over time on a fixed scale of 0 to 100 %, eight steps in a row.

    From two rows on the limit is a line of dashes, at the foot or in the middle of its row.
    """
    steps = np.clip(np.rint(load * 8 * rows), np.where(load > 0.001, 1, 0), 8 * rows).astype(int)
    halves = min(round(limit * rows * 2), 2 * rows - 1)
    dash = "-" if halves % 2 else "_"
    lines: list[Line] = []
    for row in range(rows - 1, -1, -1):
        line: Line = []
        for value, total in zip(load.tolist(), steps.tolist(), strict=True):
            step = min(max(total - 8 * row, 0), 8)
            if step or rows == 1 or row != halves // 2:
                role = "over" if value > limit else "near" if value > 0.8 * limit else "bar"
                line.append((_STEPS[step], role))
            else:
                line.append((dash, FAINT))
        lines.append(merge(line))
    return lines
