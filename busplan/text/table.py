"""Tables of plain text: aligned columns, cut where they do not fit."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence

GAP = 2
"""Blanks between two columns."""
LEAST = 8
"""No column is cut to fewer characters."""


def table_lines(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    columns: int,
    *,
    right: Collection[int] = (),
    shrink: Collection[int] = (),
) -> list[str]:
    """A heading and rows of aligned cells; ``right`` lists the columns that align right (numbers).

    Columns in ``shrink`` (names) are cut, the widest first, until a row fits ``columns``; a cut
    text has ``~`` in its middle, because names often differ in their last character.
    """
    cells = [list(head), *(list(r) for r in rows)]
    widths = [max(len(r[c]) for r in cells) for c in range(len(head))]
    while shrink and sum(widths) + GAP * (len(widths) - 1) > columns:
        widest = max(shrink, key=lambda c: widths[c])
        if widths[widest] <= LEAST:
            break
        widths[widest] -= 1
    return [
        (" " * GAP)
        .join(
            _cut(t, w).rjust(w) if c in right else _cut(t, w).ljust(w)
            for c, (t, w) in enumerate(zip(row, widths, strict=True))
        )
        .rstrip()
        for row in cells
    ]


def number_text(value: float, digits: int = 1, *, sign: bool = False) -> str:
    """A number in a table: ``-`` when it is not known, zero without sign."""
    if not math.isfinite(value):
        return "-"
    text = f"{value:{'+' if sign else ''}.{digits}f}"
    return text.lstrip("+-") if float(text) == 0 else text


def _cut(text: str, width: int) -> str:
    if len(text) <= width:
        return text
    tail = (width - 1) // 2
    return f"{text[: width - 1 - tail]}~{text[len(text) - tail :]}"
