"""Tables as values: rows of one kind, each a frozen dataclass whose fields are the columns.

A column's unit stands in its field's metadata (:func:`unit`). Commands print these rows, and
:meth:`Table.to_frame` gives the same to pandas.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, TypeVar

from busplan.wording import disarmed, plural

if TYPE_CHECKING:
    import pandas as pd

Row = TypeVar("Row")

SHOWN = 40
"""Rows that a notebook shows of a table."""


def unit(name: str) -> Mapping[str, str]:
    """Metadata of a dataclass field that is a column with this unit."""
    return {"unit": name}


class Column(NamedTuple):
    """One column: its name, and its unit (``""`` for texts, counts and parts of 1)."""

    name: str
    unit: str


@dataclass(frozen=True, slots=True, repr=False)
class Table(Generic[Row]):
    """What the rows are about, the dataclass they are of, and the rows."""

    title: str
    kind: type[Row]
    rows: tuple[Row, ...]

    @property
    def columns(self) -> tuple[Column, ...]:
        """Every column, in order."""
        declared: Any = self.kind
        return tuple(Column(f.name, f.metadata.get("unit", "")) for f in fields(declared))

    def to_frame(self) -> pd.DataFrame:
        """A pandas ``DataFrame``, one row each; ``attrs`` hold the title and the units by column.

        ``None`` becomes a missing value: NaN, or ``NA`` in a column of whole numbers (``Int64``).
        """
        import pandas as pd

        declared: Any = self.kind
        frame = pd.DataFrame(
            {
                f.name: pd.Series([getattr(r, f.name) for r in self.rows], dtype=_dtype(f.type))
                for f in fields(declared)
            }
        )
        frame.attrs = {"title": self.title, "units": {c.name: c.unit for c in self.columns}}
        return frame

    def __repr__(self) -> str:
        rows = plural(len(self.rows), "row")
        return f"<Table {self.title!r}: {len(self.rows):,} {rows} of {len(self.columns)} columns>"

    def _repr_html_(self) -> str:
        return html_of(self.title, self.to_frame())


_DTYPES = {
    "bool": "bool",
    "float": "float64",
    "float | None": "float64",
    "int": "int64",
    "int | None": "Int64",
}


def _dtype(declared: Any) -> str:
    """The type of a column by what its field is declared as; texts and the rest are objects."""
    return _DTYPES.get(declared if isinstance(declared, str) else declared.__name__, "object")


def html_of(title: str, frame: pd.DataFrame) -> str:
    """A heading and a table for a notebook; texts of files are shown, never taken as markup."""
    from html import escape

    table = frame.head(SHOWN).to_html(index=False, na_rep="-", border=0, escape=True)
    more = len(frame) - SHOWN
    rest = f"<p>and {more:,} more rows; to_frame() holds all</p>" if more > 0 else ""
    harmless = "\n".join(map(disarmed, table.splitlines()))
    return f"<p><b>{escape(disarmed(title))}</b></p>{harmless}{rest}"
