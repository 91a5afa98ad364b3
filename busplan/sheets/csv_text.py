"""Tables as CSV (RFC 4180) that a spreadsheet opens without obeying a cell."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from busplan.wording import CAUTION, disarmed

Cell = str | int | float | None

_FORMULA = ("=", "+", "-", "@")
"""What begins a formula in spreadsheets; a text that begins so gets an apostrophe in front."""


def csv_text(title: str, head: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """A first line with the title and the caution, then the names of the columns, then the rows."""
    lines = [[f"{title}. {CAUTION}"], head, *rows]
    return "".join(",".join(map(_cell, line)) + "\r\n" for line in lines)


def _cell(value: Cell) -> str:
    if value is None:
        return ""
    if not isinstance(value, str):
        return f"{value:g}" if isinstance(value, float) else str(value)
    text = disarmed(value)
    if text.startswith(_FORMULA) and not _is_number(text):
        text = f"'{text}"
    return '"' + text.replace('"', '""') + '"' if set(text) & set(',"') else text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
