"""Tables as values: rows of one kind, each a frozen dataclass whose fields are the columns.

A column's unit stands in its field's metadata (:func:`unit`). Commands print these rows, and
:meth:`Table.to_frame` gives the same to pandas.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, TypeVar

if TYPE_CHECKING:
    import pandas as pd

Row = TypeVar("Row")


def unit(name: str) -> Mapping[str, str]:
    """Metadata of a dataclass field that is a column with this unit."""
    return {"unit": name}


class Column(NamedTuple):
    """One column: its name, and its unit (``""`` for texts, counts and parts of 1)."""

    name: str
    unit: str


@dataclass(frozen=True, slots=True)
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

        ``None`` becomes a missing value.
        """
        import pandas as pd

        frame = pd.DataFrame(
            {c.name: [getattr(r, c.name) for r in self.rows] for c in self.columns}
        )
        frame.attrs = {"title": self.title, "units": {c.name: c.unit for c in self.columns}}
        return frame
