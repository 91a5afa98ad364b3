"""Tables of plain text: aligned columns, cut where they do not fit."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence

from busplan.text.shorten import least_width, shortened

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
    loose: Collection[int] = (),
) -> list[str]:
    """A heading and rows of aligned cells; ``right`` lists the columns that align right (numbers).

    Columns in ``shrink`` (names) are cut, the widest first, until a row fits ``columns`` or names
    that differ would look alike; see :mod:`busplan.text.shorten`. Those in ``loose`` as well (more
    than a name) are cut whatever they say.
    """
    cells = [list(head), *(list(r) for r in rows)]
    widths = [max(len(r[c]) for r in cells) for c in range(len(head))]
    short: dict[int, Mapping[str, str]] = {}
    if shrink and sum(widths) + GAP * (len(widths) - 1) > columns:
        texts = {c: [r[c] for r in cells] for c in shrink}
        least = {
            c: low if c in loose else least_width(texts[c], low, widths[c])
            for c in shrink
            for low in (min(LEAST, widths[c]),)
        }
        while sum(widths) + GAP * (len(widths) - 1) > columns:
            wide = [c for c in shrink if widths[c] > least[c]]
            if not wide:
                break
            widths[max(wide, key=lambda c: widths[c])] -= 1
        short = {c: shortened(texts[c], widths[c]) for c in shrink}
    return [
        (" " * GAP)
        .join(
            cell.rjust(w) if c in right else cell.ljust(w)
            for c, (t, w) in enumerate(zip(row, widths, strict=True))
            for cell in (short.get(c, {}).get(t, t),)
        )
        .rstrip()
        for row in cells
    ]


def parted_lines(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    columns: int,
    *,
    right: Collection[int] = (),
    kept: int = 1,
    glued: Collection[int] = (),
) -> list[str]:
    """The same where a row may be wider than ``columns``: then as several tables below each other.

    Each begins with the first ``kept`` columns, which say whose row it is. Columns in ``glued``
    (intervals) stay beside the one before.
    """
    cells = [list(head), *(list(r) for r in rows)]
    widths = [max(len(r[c]) for r in cells) for c in range(len(head))]
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
        mine = [i for i, c in enumerate(chosen) if c in right]
        lines += [""] if lines else []
        lines += table_lines(picked[0], picked[1:], columns, right=mine)
    return lines


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
