"""Bars on a fixed scale of 0 to 100 %, with the limit marked: of plain characters and of runs."""

from __future__ import annotations

from busplan.text.runs import FAINT, Line, merge
from busplan.wire.load_limit import Standing, standing

LOAD_ROLES = {Standing.OVER: "over", Standing.NEAR: "near", Standing.BELOW: "bar"}
"""How a load is drawn, by how it stands to its limit."""


def bar(fraction: float, limit: float | None = None, width: int = 20) -> str:
    """A bar of plain characters, with ``|`` where the limit is.

    A fraction beyond 100 % fills the bar and ends in ``>``.
    """
    filled = round(min(max(fraction, 0.0), 1.0) * width)
    cells = ["#"] * filled + ["."] * (width - filled)
    if fraction > 1:
        cells[-1] = ">"
    if limit is not None:
        cells[min(width - 1, round(limit * width))] = "|"
    return "".join(cells)


def load_bar(
    load: float, limit: float, columns: int, *, minute: float | None = None, peak: float = 0.0
) -> Line:
    """A load on a fixed scale of 0 to 100 %.

    ``|`` marks the limit, also inside the bar, and ``^`` the last ``minute`` where it is not the
    end of the bar; shaded up to ``peak``.
    """
    filled = min(round(load * columns), columns)
    if load > 0 and not filled:
        filled = 1
    mark = min(int(limit * columns), columns - 1)
    role = LOAD_ROLES[standing(load, limit)]
    shaded = min(round(peak * columns), columns)
    last = max(min(round((minute or 0.0) * columns), columns) - 1, 0)
    marks = {mark: "|"} if minute is None or last == filled - 1 else {last: "^", mark: "|"}
    line: Line = []
    for i in range(columns):
        if i in marks:
            line.append((marks[i], "limit-in" if i < filled else "limit"))
        elif i < filled:
            line.append(("█", role))
        else:
            line.append(("░", role) if i < shaded else ("·", FAINT))
    return merge(line)
