"""Tables as Delta Lake keeps them: added to by compare-and-set, so that no row stands twice.

A commit opens the table at version *n*, leaves out rows whose key is there, and appends the rest
together with an application transaction numbered one above the last. Two writers at the same
version always conflict so (plain appends would not), and the loser looks again. Only a commit that
lost to another is tried again: any other error would only come back.

Source: Delta transaction log protocol, "transaction identifiers" (from memory).
"""

from __future__ import annotations

import os
import random
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

from busplan.errors import UsageError
from busplan.fleet.place import Place

if TYPE_CHECKING:
    from deltalake import DeltaTable

Given = ParamSpec("Given")
Gives = TypeVar("Gives")

APPLICATION = "busplan"
TRIES = 60
"""Commits that may be lost to others in a row before it is given up."""
_PAUSE_S = 0.05
_PANIC_S = 0.3


class StoreError(OSError):
    """The tables cannot be read or written: full, gone, damaged. Nothing half is left behind."""


class Table:
    """One table of a fleet. ``key`` is the column that tells rows apart."""

    def __init__(
        self,
        place: Place,
        name: str,
        schema: Any,
        key: str,
        partition: str | None = None,
        row_group: int = 1024,
    ) -> None:
        self.place, self.name, self.schema, self.key = place, name, schema, key
        self._partition = partition
        self._row_group = row_group

    @property
    def uri(self) -> str:
        """Where it lies."""
        return self.place.uri(self.name)

    def open(self, *, make: bool = False) -> DeltaTable | None:
        """The table as it is now; ``None`` when there is none and none is to be made."""
        from deltalake import DeltaTable
        from deltalake.exceptions import DeltaError, TableNotFoundError

        with store_errors(self.uri):
            try:
                return DeltaTable(self.uri, storage_options=self.place.options)
            except TableNotFoundError:
                if not make:
                    return None
            try:
                return DeltaTable.create(
                    self.uri,
                    self.schema,
                    mode="ignore",
                    partition_by=[self._partition] if self._partition else None,
                    storage_options=self.place.options,
                )
            except DeltaError as error:
                # Another may have made it since it was looked for.
                try:
                    return DeltaTable(self.uri, storage_options=self.place.options)
                except DeltaError:
                    raise error from None

    def add(self, rows: Sequence[dict[str, Any]], *, replace: bool = False) -> int:
        """Add the rows whose key is not there yet, all of them or none; how many that were.

        ``replace`` puts them in place of those that are there, in the same one commit.
        """
        import pyarrow as pa

        if not rows:
            return 0
        wanted = pa.Table.from_pylist(list(rows), self.schema)
        for _ in range(TRIES):
            table = self.open()
            if table is None:
                raise StoreError(2, "the table is not there any more", self.uri)
            new = wanted if replace else self._without_known(table, wanted)
            if not len(new):
                return 0
            if self._commit(table, new, replace):
                return len(new)
            time.sleep(_PAUSE_S * random.random())
        raise StoreError(11, "others keep committing; try again", self.uri)

    def _commit(self, table: DeltaTable, rows: Any, replace: bool) -> bool:
        """Whether the commit came through; ``False`` when another was first."""
        from deltalake import CommitProperties, Transaction, WriterProperties, write_deltalake
        from deltalake.exceptions import CommitFailedError

        number = table.transaction_version(APPLICATION) or 0
        properties = CommitProperties(
            max_commit_retries=0, app_transactions=[Transaction(APPLICATION, number + 1)]
        )
        writing = WriterProperties(
            compression="ZSTD", compression_level=3, max_row_group_size=self._row_group
        )
        write: Any = write_deltalake
        try:
            with store_errors(self.uri), no_panics():
                write(
                    table,
                    rows,
                    mode="overwrite" if replace else "append",
                    predicate=_any_of(self.key, rows[self.key].to_pylist()) if replace else None,
                    commit_properties=properties,
                    writer_properties=writing,
                )
        except CommitFailedError as error:
            now = self.open()
            if now is not None and now.version() > table.version():
                return False
            raise StoreError(5, f"the commit failed: {error}", self.uri) from error
        return True

    def _without_known(self, table: DeltaTable, rows: Any) -> Any:
        import pyarrow as pa
        import pyarrow.compute as pc

        keys = rows[self.key].combine_chunks()
        known = self.known(keys.to_pylist(), table)
        if not known:
            return rows
        return rows.filter(pc.invert(pc.is_in(keys, pa.array(sorted(known), pa.string()))))

    def known(self, keys: Sequence[str], table: DeltaTable | None = None) -> set[str]:
        """Which of the keys have a row."""
        import pyarrow as pa
        import pyarrow.dataset as ds

        if not keys:
            return set()
        wanted = ds.field(self.key).isin(pa.array(list(keys), pa.string()))
        return set(self.rows([self.key], wanted, table)[self.key].to_pylist())

    def rows(
        self,
        columns: Sequence[str] | None = None,
        where: Any = None,
        table: DeltaTable | None = None,
    ) -> Any:
        """Its rows as a pyarrow table; an empty one when there is no table yet."""
        import pyarrow.dataset as ds

        wanted = self.schema.names if columns is None else list(columns)
        table = table or self.open()
        paths = [] if table is None else self._local(table)
        if not paths:
            return self.schema.empty_table().select(wanted)
        kinds = ds.partitioning(
            self.schema.empty_table().select(self._parts()).schema, flavor="hive"
        )
        with store_errors(self.uri):
            data = ds.dataset(
                list(map(str, paths)), self.schema, format="parquet", partitioning=kinds
            )
            # In this thread: those of the library would outlive a short command, and abort it.
            return data.to_table(columns=wanted, filter=where, use_threads=False)

    def _parts(self) -> list[str]:
        return [self._partition] if self._partition else []

    def _local(self, table: DeltaTable) -> list[Path]:
        """Its data files on this machine; they never change."""
        with store_errors(self.uri):
            return [self.place.local(path) for path in self._paths(table)]

    def _paths(self, table: DeltaTable) -> list[str]:
        uris = (uri.removeprefix("file://") for uri in table.file_uris())
        return [uri.removeprefix(self.place.url).lstrip("/") for uri in uris]

    def files(self) -> list[str]:
        """The data files it consists of now, as paths in its place."""
        table = self.open()
        if table is None:
            return []
        with store_errors(self.uri):
            return self._paths(table)

    def remove(self, column: str, values: Sequence[str]) -> int:
        """Remove the rows with one of these values; how many there were."""
        table = self.open()
        if table is None or not values:
            return 0
        with store_errors(self.uri), no_panics():
            told = table.delete(_any_of(column, values))
        return int(told.get("num_deleted_rows") or 0)

    def compact(self, keep_hours: int) -> tuple[int, int]:
        """Join small files, remove those that no version of so many hours needs: before, after."""
        table = self.open()
        if table is None:
            return 0, 0
        with store_errors(self.uri), no_panics():
            before = len(table.file_uris())
            table.optimize.compact()
            table.create_checkpoint()
            table.vacuum(keep_hours, dry_run=False, enforce_retention_duration=False)
            return before, len(table.file_uris())


def _any_of(column: str, values: Sequence[str]) -> str:
    listed = ", ".join("'" + value.replace("'", "''") + "'" for value in values)
    return f"{column} IN ({listed})"


@contextmanager
def store_errors(uri: str) -> Iterator[None]:
    """Whatever the library raises about the store, as a :class:`StoreError`."""
    from deltalake.exceptions import CommitFailedError, DeltaError, SchemaMismatchError

    try:
        yield
    except CommitFailedError:
        raise
    except SchemaMismatchError as error:
        raise UsageError(f"{uri}: the table is of another version of busplan: {error}") from error
    except StoreError:
        raise
    except (OSError, DeltaError) as error:
        raise StoreError(5, _first_line(error), uri) from error
    except BaseException as error:
        # The library's core ends with what is no Exception where its disk is full.
        if type(error).__name__ != "PanicException":
            raise
        raise StoreError(5, _first_line(error), uri) from error


def _first_line(error: BaseException) -> str:
    told = getattr(error, "strerror", None) or str(error)
    lines = [line.strip() for line in str(told).splitlines() if line.strip()]
    return ": ".join(dict.fromkeys(lines))[:300] or type(error).__name__


def store_told(call: Callable[Given, Gives]) -> Callable[Given, Gives]:
    """The call, whose trouble with the store is one :class:`UsageError` that names the place."""

    @wraps(call)
    def told(*given: Given.args, **named: Given.kwargs) -> Gives:
        try:
            return call(*given, **named)
        except BrokenPipeError:
            raise
        except OSError as error:
            place = f"{error.filename}: " if error.filename else ""
            raise UsageError(f"{place}{error.strerror or error}") from error

    return told


@contextmanager
def no_panics() -> Iterator[None]:
    """Keep what the library's core prints when it panics off the terminal; the error says it."""
    sys.stderr.flush()
    try:
        kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    except OSError:
        yield
        return
    try:
        os.dup2(nowhere, 2)
        yield
    except BaseException:
        time.sleep(_PANIC_S)  # its threads come to their end a little later
        raise
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
