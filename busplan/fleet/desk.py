"""A fleet opened to be asked: DuckDB over its tables, which nothing asked can change.

What is asked in SQL is one SELECT. It sees the views only: no other file, no network, no setting,
no extension, nothing of this program. It can write nothing, and spills nothing to the disk.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from typing import Any

from busplan.capture.memory import free_bytes
from busplan.errors import UsageError
from busplan.fleet.catalogue import Fleet
from busplan.fleet.views import (
    CURRENT,
    frames_select,
    listed,
    message_views,
    name,
    part_views,
    placed_select,
    table_views,
    text,
)

LONGEST_SQL = 100_000
"""Characters of a question in SQL."""
MOST_AT_ONCE = 10_000
"""Judgements whose lists are asked for together; of more they are read vehicle by vehicle."""
MOST_ROWS = 5_000_000
"""Rows that an answer may have."""


class Desk:
    """A fleet as it was when it was opened."""

    def __init__(self, fleet: Fleet) -> None:
        self.fleet = fleet
        # The database starts while the tables' own lists of files are read.
        with ThreadPoolExecutor(1) as beside:
            starting = beside.submit(_database)
            paths = {
                t.name: [str(fleet.place.local(f)) for f in t.files()]
                for t in (fleet.judgements, fleet.captures, fleet.signals)
            }
            self._db = starting.result()
        self._files: list[str] = []
        for found in paths.values():
            self._files += found
        self.judged_files = paths["judgements"]
        views = dict(table_views(paths))
        del views["judgements"]
        for one, select in views.items():
            self._db.execute(f"CREATE VIEW {name(one)} AS {select}")
        captures = self.table("SELECT DISTINCT vehicle FROM captures ORDER BY vehicle")
        self.vehicles: list[str] = captures["vehicle"].to_pylist()
        self._placed = placed_select(self.judged_files)
        self._rows = self._numbers()
        those = self._current()
        if those:
            self._placed = f"SELECT * FROM ({self._placed}){those}"
            self._rows = self._numbers()
        self._db.execute(f"CREATE VIEW judgements AS SELECT * FROM all_judgements{those}")

    def _numbers(self) -> Any:
        """What is asked of every judgement, in one pass over all files: texts as numbers.

        Identities are digests, so that their hashes tell them apart; names are looked up.
        """
        return self.table(
            "SELECT hash(capture_id, asked_test) AS capture, "
            f"list_position({listed(self.vehicles)}, vehicle) AS vehicle, "
            "state = 'judged' AS judged, hash(plan_id) AS plan, start_ns, dated, "
            f"list_position({listed(self.judged_files)}, filename) AS file, row "
            f"FROM ({self._placed})"
        )

    def _current(self) -> str:
        """Which judgements count; without looking at each where there are no others."""
        import pyarrow.compute as pc

        if len(self._rows) == pc.count_distinct(self._rows["capture"]).as_py():
            return ""
        self._db.execute(f"CREATE TABLE current_keys AS {CURRENT}")
        return " WHERE run_key IN (SELECT run_key FROM current_keys)"

    @property
    def plans(self) -> list[int]:
        """The hashes of the plans by which anything was judged."""
        return list(self._rows["plan"].unique().to_pylist())

    def close(self) -> None:
        """Let go of everything."""
        self._db.close()

    def table(self, sql: str, values: Sequence[Any] = ()) -> Any:
        """What a question of busplan's own gives, as a pyarrow table."""
        return self._db.sql(sql, params=list(values)).to_arrow_table()

    def judged(
        self, vehicles: Sequence[str], plain: Sequence[str], part: str, columns: Sequence[str]
    ) -> Any:
        """Judged captures: ``vehicle`` by its place among ``vehicles``, ``plan`` by a hash.

        ``plain`` columns follow, and ``columns`` of a nested part. Of a large fleet ``file`` and
        ``row`` of each stand in place of what is nested, for
        :func:`busplan.fleet.grids.read_lists`: lists in an answer take twice the time, and so do
        names where a number will do.
        """
        if len(self._rows) > MOST_AT_ONCE and set(plain) <= set(self._rows.column_names):
            return self._judged_of(vehicles).select(["vehicle", "plan", *plain, "file", "row"])
        wanted = [*plain, f"list_position({listed(self.judged_files)}, filename) AS file", "row"]
        if len(self._rows) <= MOST_AT_ONCE:
            wanted = [*plain, *(f"{part}.{name(c)} AS {name(c)}" for c in columns)]
        return self.table(
            f"SELECT list_position({listed(vehicles)}, vehicle) AS vehicle, "
            f"hash(plan_id) AS plan, {', '.join(wanted)} FROM ({self._placed}) "
            f"WHERE state = 'judged' AND vehicle IN ({', '.join(map(text, vehicles))})"
        )

    def _judged_of(self, vehicles: Sequence[str]) -> Any:
        """Rows of judged captures of some vehicles, ``vehicle`` by its place among them."""
        import pyarrow as pa
        import pyarrow.compute as pc

        wanted = pa.array([self.vehicles.index(v) + 1 for v in vehicles], pa.int32())
        place = pc.index_in(self._rows["vehicle"], wanted)
        at = self._rows.column_names.index("vehicle")
        rows = self._rows.set_column(at, "vehicle", pc.add(place, 1))
        return rows.filter(pc.and_(rows["judged"], place.is_valid()))

    def ask(self, sql: str) -> Any:
        """What one SELECT gives, as a pyarrow table; :class:`UsageError` for anything else.

        After this call only the views can be seen, by whatever is asked.
        """
        import duckdb

        if len(sql) > LONGEST_SQL:
            raise UsageError(f"--sql takes {LONGEST_SQL:,} characters at most")
        try:
            statements = self._db.extract_statements(sql)
        except duckdb.Error as error:
            raise UsageError(_said(error)) from error
        # Older ones make a SELECT, in other words, of what was none.
        selects = [
            s
            for s in statements
            if s.type == duckdb.StatementType.SELECT and s.query.strip(" ;\n") in sql
        ]
        if not len(statements) == len(selects) == 1:
            raise UsageError("--sql takes one SELECT: a fleet is only read")
        self._prepare(sql)
        self._lock()
        try:
            found = self._db.sql(sql).limit(MOST_ROWS + 1).to_arrow_table()
        except (duckdb.Error, RuntimeError, MemoryError) as error:
            raise UsageError(_said(error)) from error
        if len(found) > MOST_ROWS:
            raise UsageError(f"more than {MOST_ROWS:,} rows; ask for fewer, or put them together")
        return found

    def _prepare(self, sql: str) -> None:
        """Views of what is nested, and of frames and messages if the question speaks of them."""
        for one, told in part_views():
            self._db.execute(f"CREATE VIEW {name(one)} AS {told}")
        views = message_views(self.fleet.signals.rows().to_pylist())
        wanted = [(one, told) for one, told in views if name(one) in sql]
        if not wanted and "frames" not in sql:
            return
        files = self.table("SELECT frames_file FROM judgements WHERE frames_file IS NOT NULL")
        paths = [str(self.fleet.place.local(f)) for f in files["frames_file"].to_pylist()]
        self._files += paths
        self._db.execute(f"CREATE VIEW frames AS {frames_select(paths)}")
        for one, told in wanted:
            self._db.execute(f"CREATE VIEW {name(one)} AS {told}")

    def _lock(self) -> None:
        files = ", ".join(map(text, self._files))
        self._db.execute(f"SET allowed_paths = [{files}]")
        self._db.execute("SET enable_external_access = false")
        self._db.execute("SET lock_configuration = true")


def _database() -> Any:
    """A database that reaches nothing but files, and remembers what is in them."""
    import duckdb

    database = duckdb.connect(
        ":memory:",
        config={
            "autoinstall_known_extensions": "false",
            "autoload_known_extensions": "false",
            "python_enable_replacements": "false",
            "temp_directory": "",
            "memory_limit": f"{max(free_bytes() // 2, 10**9)}B",
        },
    )
    with suppress(duckdb.Error):  # older ones name it otherwise
        database.execute("SET parquet_metadata_cache = true")
    return database


def _said(error: Exception) -> str:
    """What the database says, without its stack and its hints about settings."""
    kept = []
    for line in str(error).splitlines():
        if not line.strip() or "Stack Trace" in line:
            break
        kept.append(line.strip())
    return " ".join(kept)[:500] or type(error).__name__


@contextmanager
def opened(fleet: Fleet) -> Iterator[Desk]:
    """A fleet opened to be asked, and closed again."""
    desk = Desk(fleet)
    try:
        yield desk
    finally:
        desk.close()
