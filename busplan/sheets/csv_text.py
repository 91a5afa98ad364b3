"""Tables as CSV (RFC 4180) that a spreadsheet opens without obeying a cell."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from busplan.wording import CAUTION, cell_text

Cell = str | int | float | None


def csv_text(title: str, head: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """A first line with the title and the caution, then the names of the columns, then the rows."""
    lines = [[f"{title}. {CAUTION}"], head, *rows]
    return "".join(",".join(map(_cell, line)) + "\r\n" for line in lines)


def _cell(value: Cell) -> str:
    if value is None:
        return ""
    if not isinstance(value, str):
        return f"{value:.10g}" if isinstance(value, float) else str(value)
    text = cell_text(value)
    return '"' + text.replace('"', '""') + '"' if set(text) & set(',"') else text
