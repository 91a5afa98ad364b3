"""Tables of plain text: aligned columns; what does not fit goes on below, or is cut with a sign."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import zip_longest

from busplan.text.runs import wrapped
from busplan.text.shorten import least_width, shortened

GAP = 2
"""Blanks between two columns."""
LEAST = 8
"""No column is cut to fewer characters."""
FOLDED = 22
"""Cells that go on below are this wide, where there is room."""


def table_lines(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    columns: int,
    *,
    right: Collection[int] = (),
    shrink: Collection[int] = (),
    folded: Collection[int] = (),
) -> list[str]:
    """A heading and rows of aligned cells; ``right`` lists the columns that align right (numbers).

    Where a row does not fit ``columns``, cells of the columns in ``folded`` (more than a name) go
    on below themselves; then the names in ``shrink`` are cut, the widest first, until a row fits or
    names that differ would look alike; see :mod:`busplan.text.shorten`.
    """
    cells = [list(head), *(list(r) for r in rows)]
    widths = _natural(cells)
    short: dict[int, Mapping[str, str]] = {}
    if _whole(widths) > columns:
        texts = {c: [r[c] for r in cells] for c in (*shrink, *folded)}
        least = {c: min(FOLDED, widths[c]) for c in folded}
        _narrow(widths, least, columns)
        if _whole(widths) > columns:
            least = {
                c: low if c in folded else least_width(texts[c], low, widths[c])
                for c in texts
                for low in (min(LEAST, widths[c]),)
            }
            _narrow(widths, least, columns)
        short = {c: shortened(texts[c], widths[c]) for c in shrink if c not in folded}
    lines = []
    for row in cells:
        told = [
            _below(cell, w) if c in folded else [short.get(c, {}).get(cell, cell)]
            for c, (cell, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines += [
            (" " * GAP)
            .join(
                cell.rjust(w) if c in right else cell.ljust(w)
                for c, (cell, w) in enumerate(zip(line, widths, strict=True))
            )
            .rstrip()
            for line in zip_longest(*told, fillvalue="")
        ]
    return lines


def fitted_lines(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    columns: int,
    *,
    right: Collection[int] = (),
    shrink: Collection[int] = (),
    folded: Collection[int] = (),
    whole: bool = False,
    kept: int = 0,
    glued: Collection[int] = (),
) -> list[str]:
    """The same; where even cut names leave no row that fits, as several tables below each other.

    With ``whole`` these come first: nothing is cut or goes on below that a table of its own holds.
    """
    cells = [list(head), *(list(r) for r in rows)]
    names, below = ((), ()) if whole else (shrink, folded)
    lines = table_lines(head, cells[1:], columns, right=right, shrink=names, folded=below)
    if max(map(len, lines)) <= columns:
        return lines
    return parted_lines(
        head,
        cells[1:],
        columns,
        right=right,
        shrink=shrink,
        folded=folded,
        kept=kept or 1 + (not head[0]),
        glued=glued,
    )


def parted_lines(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    columns: int,
    *,
    right: Collection[int] = (),
    shrink: Collection[int] = (),
    folded: Collection[int] = (),
    kept: int = 1,
    glued: Collection[int] = (),
) -> list[str]:
    """The same where a row may be wider than ``columns``: then as several tables below each other.

    Each begins with the first ``kept`` columns, which say whose row it is. Columns in ``glued``
    (intervals) stay beside the one before.
    """
    cells = [list(head), *(list(r) for r in rows)]
    widths = _natural(cells)
    for c in (*shrink, *folded):
        widths[c] = min(widths[c], max(columns // 2, LEAST))
    lead = sum(w + GAP for w in widths[:kept])
    parts: list[list[int]] = [[]]
    used = lead
    for c in range(kept, len(head)):
        after = GAP + widths[c + 1] if c + 1 in glued else 0
        if parts[-1] and c not in glued and used + widths[c] + after > columns:
            parts.append([])
            used = lead
        parts[-1].append(c)
        used += widths[c] + GAP
    lines: list[str] = []
    for part in parts:
        chosen = [*range(kept), *part]
        picked = [[r[c] for c in chosen] for r in cells]
        mine, names, below = (
            [i for i, c in enumerate(chosen) if c in several] for several in (right, shrink, folded)
        )
        lines += [""] if lines else []
        lines += table_lines(picked[0], picked[1:], columns, right=mine, shrink=names, folded=below)
    return lines


def _natural(cells: Sequence[Sequence[str]]) -> list[int]:
    return [max(map(len, column)) for column in zip(*cells, strict=True)]


def _whole(widths: Sequence[int]) -> int:
    return sum(widths) + GAP * (len(widths) - 1)


def _narrow(widths: list[int], least: Mapping[int, int], columns: int) -> None:
    """Take from the widest column, one by one, until a row fits or each is at its ``least``."""
    while _whole(widths) > columns:
        wide = [c for c in least if widths[c] > least[c]]
        if not wide:
            break
        widths[max(wide, key=lambda c: widths[c])] -= 1


def _below(text: str, columns: int) -> list[str]:
    """A cell over several lines; a word wider than a line is cut like a name."""
    if len(text) <= columns:
        return [text]
    words = shortened(text.split(" "), columns)
    return wrapped(" ".join(words.get(w, w) for w in text.split(" ")), columns)


def number_text(value: float, digits: int = 1, *, sign: bool = False) -> str:
    """A number in a table: ``-`` when it is not known, zero without sign."""
    if not math.isfinite(value):
        return "-"
    text = f"{value:{'+' if sign else ''}.{digits}f}"
    return text.lstrip("+-") if float(text) == 0 else text


def between(low: float, high: float, digits: int = 1) -> str:
    """What holds in 95 %, from low to high."""
    if not math.isfinite(low) or not math.isfinite(high):
        return "-"
    return f"{number_text(low, digits)} … {number_text(high, digits)}"
