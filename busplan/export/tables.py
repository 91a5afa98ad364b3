"""Any pyarrow table as Parquet or CSV; no text in a CSV file starts a formula."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from busplan.errors import UsageError
from busplan.export.values import harmless, whole_or_nothing


def write_table(table: Any, path: Path) -> None:
    """Write a table by the file's ending; :class:`UsageError` when it cannot be written.

    Lists and structs stand in CSV as JSON.
    """
    try:
        with whole_or_nothing(path) as stream:
            if path.suffix.lower() == ".parquet":
                import pyarrow.parquet as pq

                pq.write_table(table, stream, compression="zstd")
            else:
                from pyarrow import csv

                csv.write_csv(harmless(_flat(table)), stream)
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror or error}") from error


def _flat(table: Any) -> Any:
    """Texts as dictionaries, what is nested as JSON."""
    import json

    import pyarrow as pa

    columns = []
    for column in table.itercolumns():
        if pa.types.is_nested(column.type):
            texts = [None if v is None else json.dumps(v, default=str) for v in column.to_pylist()]
            column = pa.chunked_array([pa.array(texts, pa.string())])
        if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
            column = column.dictionary_encode()
        columns.append(column)
    return pa.table(columns, names=table.column_names)
