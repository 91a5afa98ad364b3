"""The columns of a fleet's tables, with what each holds.

Cells, modules, topics, loads, findings and statistics of a judgement are *lists side by side*: a
struct of lists of one length, so that a question reads only the figures it asks for. What a cell's
and a module's columns are is told where they are made (:mod:`busplan.pack.tables`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from typing import Any

SLOTS = 64
"""Value columns of a file of frames. A message of more signals takes several rows a frame."""

_TYPES = {
    "float": "float64",
    "float | None": "float64",
    "int": "int64",
    "int | None": "int64",
    "str": "string",
    "str | None": "string",
    "bool": "bool_",
}

LOADS = {
    "network": "str",
    "mean": "float",
    "peak": "float",
    "peak_at_ns": "int",
    "limit": "float",
    "error_frames": "int",
}
"""Loads are parts of 1; ``peak`` is that of the busiest second."""
FINDINGS = {
    "code": "str",
    "weight": "str",
    "network": "str",
    "node": "str",
    "message": "str",
    "signal": "str",
    "at_ns": "int",
    "summary": "str",
    "figures": "str",
}
"""``at_ns`` like all moments: as recorded, or counted from the date in the header of a file whose
times count from its start; ``figures`` is a JSON list of name, value, unit."""
STATS = {
    "signal": "str",
    "unit": "str",
    "n": "int",
    "min": "float",
    "min_at_ns": "int",
    "max": "float",
    "max_at_ns": "int",
    "mean": "float",
}
"""Of each number of the plan, in its order, in busplan's own unit; times as recorded."""


def _side_by_side(columns: dict[str, str]) -> Any:
    import pyarrow as pa

    return pa.struct([(n, pa.list_(getattr(pa, _TYPES[t])())) for n, t in columns.items()])


def columns_of(kind: Any) -> dict[str, str]:
    """Names and types of a row's fields."""
    return {f.name: str(f.type) for f in fields(kind)}


@cache
def judgements() -> Any:
    """One row a judgement."""
    import pyarrow as pa

    from busplan.pack.tables import CellRow, ModuleRow, TopicRow

    text, number, whole = pa.string(), pa.float64(), pa.int64()
    return pa.schema(
        [
            ("run_key", text),
            ("capture_id", text),
            ("plan_id", text),
            ("engine", pa.int32()),
            ("vehicle", text),
            ("uri", text),
            ("bytes", whole),
            ("format", text),
            ("dated", pa.bool_()),
            ("start_ns", whole),
            ("span_s", number),
            ("frames", whole),
            ("decoded_frames", whole),
            ("values", whole),
            ("networks", pa.list_(text)),
            ("asked_test", text),
            ("test", text),
            ("state", text),
            ("answer", text),
            ("verdict", text),
            ("weight", text),
            ("faults", whole),
            ("cautions", whole),
            ("spread_mv", number),
            ("temperature_max_c", number),
            ("cell_min_v", number),
            ("cell_max_v", number),
            ("error", text),
            ("frames_file", text),
            ("frames_bytes", whole),
            ("judged_ns", whole),
            ("cells", _side_by_side(columns_of(CellRow))),
            ("modules", _side_by_side(columns_of(ModuleRow))),
            ("topics", _side_by_side(columns_of(TopicRow))),
            ("loads", _side_by_side(LOADS)),
            ("findings", _side_by_side(FINDINGS)),
            ("stats", _side_by_side(STATS)),
        ]
    )


@cache
def captures() -> Any:
    """One row each time a capture is added; the latest of a capture counts."""
    import pyarrow as pa

    text, whole = pa.string(), pa.int64()
    file = pa.struct(
        [
            ("uri", text),
            ("size", whole),
            ("changed_ns", whole),
            ("sha256", text),
            ("offset_ns", whole),
        ]
    )
    return pa.schema(
        [
            ("entry", text),
            ("capture_id", text),
            ("vehicle", text),
            ("plan_id", text),
            ("plan", text),
            ("test", text),
            ("columns", text),
            ("channels", pa.list_(pa.struct([("channel", text), ("name", text)]))),
            ("files", pa.list_(file)),
            ("bytes", whole),
            ("added_ns", whole),
        ]
    )


@cache
def signals() -> Any:
    """What a slot of the frames of a plan's message holds."""
    import pyarrow as pa

    text, number = pa.string(), pa.float64()
    return pa.schema(
        [
            ("entry", text),
            ("plan_id", text),
            ("network", text),
            ("node", text),
            ("part", text),
            ("message", text),
            ("signal", text),
            ("rows", text),
            ("slot", pa.int32()),
            ("position", pa.int32()),
            ("unit", text),
            ("unit_as_defined", text),
            ("factor", number),
            ("offset", number),
            ("step", number),
            ("choices", text),
        ]
    )


def frames(slots: int) -> Any:
    """One row a decoded frame, sorted by message, then time."""
    import pyarrow as pa

    names = [("run_key", pa.string()), ("message", pa.string()), ("time_ns", pa.int64())]
    return pa.schema([*names, *((f"v{n}", pa.float64()) for n in range(slots))])


MOMENTS: Mapping[str, tuple[str, ...]] = {
    "loads": ("peak_at_ns",),
    "findings": ("at_ns",),
    "stats": ("min_at_ns", "max_at_ns"),
}
"""Where moments stand in the lists of a row."""
