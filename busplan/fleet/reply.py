"""What a question gives: rows with units, what they say in words, and how they are drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from busplan.frames.columns import F64, I64


@dataclass(frozen=True, eq=False)
class Curve:
    """Points over time with their intervals, and the line through them, if there is one."""

    name: str
    time_ns: I64
    value: F64
    low: F64 | None = None
    high: F64 | None = None
    line: F64 | None = None


@dataclass(frozen=True, eq=False)
class Drawing:
    """How an answer is drawn: ``curves`` over the years, or ``bars`` by name."""

    kind: Literal["curves", "bars"]
    label: str
    curves: Sequence[Curve] = ()
    bars: Mapping[str, float] = field(default_factory=dict)
    limit: float | None = None


@dataclass(frozen=True, eq=False)
class Reply:
    """An answer: a pyarrow ``table`` with ``units`` by column, what it ``says``, its drawing.

    ``hidden`` are columns that a narrow terminal leaves out.
    """

    title: str
    table: Any
    says: tuple[str, ...] = ()
    units: Mapping[str, str] = field(default_factory=dict)
    drawing: Drawing | None = None
    hidden: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON: times as text, UTC."""
        return {
            "title": self.title,
            "says": list(self.says),
            "units": dict(self.units),
            "rows": [
                {k: v.isoformat() if hasattr(v, "isoformat") else v for k, v in row.items()}
                for row in plain(self.table).to_pylist()
            ],
        }

    def to_frame(self) -> Any:
        """A pandas ``DataFrame``; ``attrs`` hold title, sentences and units by column."""
        frame = self.table.to_pandas()
        frame.attrs = {"title": self.title, "says": list(self.says), "units": dict(self.units)}
        return frame


def plain(table: Any) -> Any:
    """The table with times to the microsecond, as Python's own have them."""
    import pyarrow as pa

    fields = [
        field.with_type(pa.timestamp("us", "UTC")) if pa.types.is_timestamp(field.type) else field
        for field in table.schema
    ]
    return table.cast(pa.schema(fields), safe=False)


def table_of(columns: Mapping[str, Any]) -> Any:
    """Columns as a pyarrow table; those whose name ends in ``time`` are times [ns since 1970]."""
    import pyarrow as pa

    made = {}
    for name, values in columns.items():
        array = values if isinstance(values, pa.Array | pa.ChunkedArray) else _array(values)
        if name.endswith("time"):
            array = array.cast(pa.int64()).cast(pa.timestamp("ns", "UTC"))
        made[name] = array
    return pa.table(made)


def _array(values: Any) -> Any:
    import pyarrow as pa

    if isinstance(values, np.ndarray) and values.dtype.kind == "f":
        return pa.array(values, from_pandas=True)
    return pa.array(values)
