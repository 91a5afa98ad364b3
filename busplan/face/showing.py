"""Tables and texts for notebooks: frames with units, pages without markup from files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pandas import DataFrame

WIDTH = 100
"""Characters of a line of a printed value."""
ROWS = 40
"""Rows that a notebook shows of a table; ``to_frame()`` holds all."""


def frame_of(
    rows: Sequence[Mapping[str, Any]], units: Mapping[str, str], *, whole: Sequence[str] = ()
) -> DataFrame:
    """Rows as a ``DataFrame`` with the columns of ``units``, which ``attrs["units"]`` repeats.

    Units are ``""`` for texts, counts and shares (1 is all). ``whole`` names columns of whole
    numbers that may be empty (pandas' ``Int64``); every other empty number is NaN.
    """
    import pandas as pd

    frame = pd.DataFrame(list(rows), columns=list(units))
    for name in whole:
        frame[name] = frame[name].astype("Int64")
    for name, unit in units.items():
        if unit and name not in whole:
            frame[name] = frame[name].astype(float)
    frame.attrs["units"] = dict(units)
    return frame


def html_of(title: str, frame: DataFrame) -> str:
    """A heading and a table; texts of files are shown, never taken as markup."""
    table = frame.head(ROWS).to_html(index=False, na_rep="-", border=0, escape=True)
    more = len(frame) - ROWS
    rest = f"<p>and {more} more rows; to_frame() holds all</p>" if more > 0 else ""
    return f"<p><b>{escape(title)}</b></p>{table}{rest}"


def clean(text: str, width: int = WIDTH) -> str:
    """One line of text from a file for a terminal: no control characters, cut at ``width``."""
    plain = "".join(c if c.isprintable() else "?" for c in text)
    return plain if len(plain) <= width else f"{plain[: width - 1]}…"
