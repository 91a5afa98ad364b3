"""Named views over a fleet's files, for busplan's own questions; in ``views.sql`` for any DuckDB.

``judgements`` holds of each capture and test the judgement that counts: by the newest judgement
version, then the one made last. ``all_judgements`` holds the older ones too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

from busplan.fleet import schema
from busplan.fleet.catalogue import Fleet
from busplan.wording import disarmed

PARTS = ("cells", "modules", "topics", "loads", "findings", "stats")
"""What of a judgement is nested; each is a view of its own, one row each."""
KEYS = ("run_key", "capture_id", "vehicle", "start_ns", "test", "uri")
"""What every such row bears of its judgement."""


def name(text: str) -> str:
    """A name in SQL, as it may be shown."""
    return '"' + disarmed(text).replace('"', '""') + '"'


def text(value: str) -> str:
    """A text in SQL; what a terminal would obey stands as numbers."""
    pieces = [_quoted(c) if disarmed(c) == c else f"chr({ord(c)})" for c in _runs(value)]
    return f"concat({', '.join(pieces)})" if len(pieces) > 1 else pieces[0]


def _quoted(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def _runs(value: str) -> Iterator[str]:
    """The text cut into harmless runs and single characters that are not."""
    if disarmed(value) == value:
        yield value
        return
    for harmless, run in groupby(value, lambda c: disarmed(c) == c):
        if harmless:
            yield "".join(run)
        else:
            yield from run


def listed(paths: Iterable[str]) -> str:
    """A list of texts in SQL."""
    return f"[{', '.join(map(text, paths))}]"


def empty(columns: Any) -> str:
    """A select without rows, with the columns of a schema."""
    import pyarrow as pa

    kinds: dict[Any, str] = {
        pa.string(): "VARCHAR", pa.int64(): "BIGINT", pa.int32(): "INTEGER",
        pa.float64(): "DOUBLE", pa.bool_(): "BOOLEAN",
    }  # fmt: skip

    def kind(of: Any) -> str:
        if pa.types.is_list(of):
            return f"{kind(of.value_type)}[]"
        if pa.types.is_struct(of):
            inner = ", ".join(f"{name(f.name)} {kind(f.type)}" for f in of)
            return f"STRUCT({inner})"
        return kinds[of]

    told = ", ".join(f"NULL::{kind(f.type)} AS {name(f.name)}" for f in columns)
    return f"SELECT {told} WHERE false"


def files_select(paths: Sequence[str], columns: Any, *, hive: bool = False) -> str:
    """A select of data files, ``columns`` in their order."""
    if not paths:
        return empty(columns)
    wanted = ", ".join(name(f.name) for f in columns)
    more = ", hive_partitioning = true, hive_types_autocast = false" if hive else ""
    return f"SELECT {wanted} FROM read_parquet({listed(paths)}{more})"


def placed_select(paths: Sequence[str]) -> str:
    """A select of all judgements, with the ``filename`` and the ``row`` of each."""
    if not paths:
        return f"SELECT *, '' AS filename, 0::BIGINT AS row FROM ({empty(schema.judgements())})"
    return (
        "SELECT *, file_row_number AS row FROM read_parquet("
        f"{listed(paths)}, hive_partitioning = true, hive_types_autocast = false, "
        "filename = true, file_row_number = true)"
    )


CURRENT = """
SELECT run_key FROM (
  SELECT run_key, row_number() OVER (
    PARTITION BY capture_id, asked_test ORDER BY engine DESC, judged_ns DESC
  ) AS place FROM all_judgements
) WHERE place = 1
"""


def table_views(paths: Mapping[str, Sequence[str]]) -> list[tuple[str, str]]:
    """Views of the tables, each with its select; ``paths`` are the data files of each."""
    return [
        ("all_judgements", files_select(paths["judgements"], schema.judgements(), hive=True)),
        ("judgements", f"SELECT * FROM all_judgements WHERE run_key IN ({CURRENT})"),
        ("captures", files_select(paths["captures"], schema.captures())),
        ("signals", files_select(paths["signals"], schema.signals())),
    ]


def part_views() -> list[tuple[str, str]]:
    """A view for each nested part of judgements."""
    return [(part, part_select(part)) for part in PARTS]


def part_select(part: str, source: str = "judgements") -> str:
    """One row for each cell, module, load ... of every judgement that counts."""
    fields = schema.judgements().field(part).type
    each = ", ".join(f"unnest({part}.{name(f.name)}) AS {name(f.name)}" for f in fields)
    return f"SELECT {', '.join(KEYS)}, {each} FROM {source}"


def frames_select(paths: Sequence[str]) -> str:
    """The decoded frames of the judgements that count; ``paths`` are files that rows name."""
    if not paths:
        return empty(schema.frames(1))
    return (
        f"SELECT * FROM read_parquet({listed(paths)}, union_by_name = true, "
        "hive_partitioning = false) WHERE run_key IN (SELECT run_key FROM judgements)"
    )


def message_views(rows: Sequence[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """A view a message, its signals as columns, over all plans; ``rows`` of the table ``signals``.

    Plans in which a message has the same slots share a select. A signal whose unit differs between
    plans has a column for each unit.
    """
    layouts: dict[str, dict[tuple[tuple[int, str, str], ...], list[str]]] = {}
    slots: dict[tuple[str, str], list[tuple[int, str, str]]] = {}
    for row in rows:
        if row["rows"] is not None:
            key = (row["rows"], row["plan_id"])
            slots.setdefault(key, []).append((row["slot"], row["signal"], row["unit"] or ""))
    for (message, plan), told in slots.items():
        layouts.setdefault(message, {}).setdefault(tuple(sorted(told)), []).append(plan)
    return [(message, _message(message, told)) for message, told in sorted(layouts.items())]


def _message(
    message: str, layouts: Mapping[tuple[tuple[int, str, str], ...], Sequence[str]]
) -> str:
    units: dict[str, set[str]] = {}
    for told in layouts:
        for _, signal, unit in told:
            units.setdefault(signal, set()).add(unit)
    selects = []
    for told, plans in layouts.items():
        columns = ", ".join(
            f"v{slot} AS {name(signal if len(units[signal]) == 1 else f'{signal} [{unit}]')}"
            for slot, signal, unit in told
        )
        selects.append(
            f"SELECT run_key, time_ns, {columns} FROM frames WHERE message = {text(message)} "
            f"AND run_key IN (SELECT run_key FROM judgements WHERE plan_id IN "
            f"({', '.join(map(text, plans))}))"
        )
    return " UNION ALL BY NAME ".join(selects)


def views_text(fleet: Fleet) -> str:
    """``views.sql``: every view, over the files as they are now, named from the fleet's folder."""
    paths = {t.name: t.files() for t in (fleet.judgements, fleet.captures, fleet.signals)}
    views = table_views(paths) + part_views()
    files = fleet.judgements.rows(["frames_file"])["frames_file"].to_pylist()
    views.append(("frames", frames_select([f for f in files if f])))
    views += message_views(fleet.signals.rows().to_pylist())
    head = (
        "-- Views of this fleet for DuckDB; run in its folder. Made anew by busplan fleet judge "
        'and tidy.\n-- A message: SELECT * FROM "network/node/message".\n'
    )
    return head + "".join(f"CREATE OR REPLACE VIEW {name(one)} AS {told};\n" for one, told in views)
