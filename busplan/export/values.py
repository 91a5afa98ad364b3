"""Decoded signals as CSV or Parquet, piece by piece.

The rules of this file: a file appears under its name only when it is whole; text cells of a CSV
file never start a formula when a spreadsheet opens it, and never steer a terminal that shows it;
numbers are written so that reading them gives the same number.
"""

from __future__ import annotations

import gzip
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from busplan.decode.series import Series
from busplan.errors import UsageError
from busplan.wording import cell_text

Progress = Callable[[int, int], None]
"""Called with frames done and frames in all."""

FORMATS = (".csv", ".csv.gz", ".parquet")


def check_target(path: Path) -> None:
    """``UsageError`` when values cannot be written to a file of that name."""
    if not path.name.lower().endswith(FORMATS):
        raise UsageError(f"{path}: values are written as {', '.join(FORMATS)}")
    if not path.parent.is_dir():
        raise UsageError(f"{path}: the folder {path.parent} does not exist")


def write_values(
    series: Series, target: Path | IO[bytes], progress: Progress | None = None
) -> None:
    """Write all pieces of ``series`` to a file by its ending, or as CSV to an open stream.

    ``UsageError`` when the file cannot be written.
    """
    if not isinstance(target, Path):
        _write_csv(series, target, progress)
        return
    path = target
    check_target(path)
    try:
        with whole_or_nothing(path) as stream:
            if path.name.lower().endswith(".parquet"):
                _write_parquet(series, stream, progress)
            elif path.name.lower().endswith(".gz"):
                with gzip.open(stream, "wb", compresslevel=6) as packed:
                    _write_csv(series, packed, progress)
            else:
                _write_csv(series, stream, progress)
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror or error}") from error


@contextmanager
def whole_or_nothing(path: Path) -> Iterator[IO[bytes]]:
    """A file that takes its name when all is written, and is gone when anything fails."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as stream:
            yield stream
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _pieces(series: Series, progress: Progress | None) -> Iterator[Any]:
    total = series.frames
    for piece, done in series.pieces():
        yield piece
        if progress:
            progress(done, total)


def _write_parquet(series: Series, stream: Any, progress: Progress | None) -> None:
    import pyarrow.parquet as pq

    about = {
        "layout": series.layout,
        "origin_ns": str(series.clock.origin_ns),
        "hold rule": series.grid.rule if series.layout == "wide" else "",
    }
    schema = series.schema().with_metadata(about)
    with pq.ParquetWriter(stream, schema, compression="zstd") as writer:
        for piece in _pieces(series, progress):
            writer.write_table(piece.replace_schema_metadata(about))


def _write_csv(series: Series, stream: Any, progress: Progress | None) -> None:
    from pyarrow import csv

    schema = harmless(series.schema().empty_table()).schema
    with csv.CSVWriter(stream, schema) as writer:
        for piece in _pieces(series, progress):
            writer.write_table(harmless(piece))


def harmless(table: Any) -> Any:
    """The table with an apostrophe before every text and label that could start a formula.

    Texts are dictionary columns, so only their few distinct values are looked at.
    """
    import pyarrow as pa

    columns = []
    for column in table.itercolumns():
        if pa.types.is_dictionary(column.type):
            chunks = [
                pa.DictionaryArray.from_arrays(
                    chunk.indices,
                    pa.array([cell_text(t) for t in chunk.dictionary.to_pylist()], pa.string()),
                )
                for chunk in column.chunks
            ]
            column = pa.chunked_array(chunks, column.type)
        columns.append(column)
    return pa.table(columns, names=[cell_text(name) for name in table.column_names])
