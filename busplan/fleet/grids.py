"""Figures of many judgements as arrays, straight from the data files.

Which rows count is DuckDB's to say; their lists are numbers side by side in the file, and read as
such they take half the time that lists in an answer would take.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import I64


@dataclass(frozen=True, eq=False)
class Lists:
    """A list in each of n rows: ``flat`` holds them all, row k from ``start[k]``, ``length[k]``."""

    flat: npt.NDArray[Any]
    start: I64
    length: I64

    def grid(self, rows: I64, width: int) -> npt.NDArray[Any]:
        """The lists of some rows, all of ``width``, as (len(rows), width); a view if it can be."""
        start = self.start[rows]
        if not len(rows):
            return np.empty((0, width), self.flat.dtype)
        if np.array_equal(start, start[0] + width * np.arange(len(rows))):
            return self.flat[start[0] : start[0] + width * len(rows)].reshape(-1, width)
        return np.asarray(self.flat[start[:, None] + np.arange(width)])


def read_lists(
    files: Sequence[str], rows: Any, part: str, columns: Sequence[str]
) -> dict[str, Lists]:
    """Columns of a nested part of judgements, row by row of :meth:`busplan.fleet.desk.Desk.judged`.

    ``files`` are those of the table, as ``rows`` number them from 1. Numbers become float64, NaN
    where there is none; texts stay an array of objects.
    """
    n = len(rows)
    if "file" not in rows.column_names:
        return {c: _lists(rows[c]) for c in columns}
    code, row = np.asarray(rows["file"], np.int64), np.asarray(rows["row"], np.int64)
    flat: dict[str, list[npt.NDArray[Any]]] = {c: [] for c in columns}
    start, length, base = np.zeros(n, np.int64), np.zeros(n, np.int64), 0
    for number in np.unique(code).tolist():
        mine = np.flatnonzero(code == number)
        table, where = _groups(files[number - 1], row[mine], part, columns)
        for column in columns:
            one = _lists(table[column])
            flat[column].append(one.flat)
        start[mine], length[mine] = base + one.start[where], one.length[where]
        base += len(one.flat)
    return {c: Lists(_joined(each), start, length) for c, each in flat.items()}


def _joined(parts: Sequence[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    return parts[0] if len(parts) == 1 else np.concatenate(parts or [np.empty(0)])


def _groups(file: str, row: I64, part: str, columns: Sequence[str]) -> tuple[dict[str, Any], I64]:
    """The groups of a file that hold the rows: lists by column, and where each row is in them."""
    import pyarrow.parquet as pq

    with pq.ParquetFile(file, memory_map=True) as opened:
        told = opened.metadata
        count = np.array([told.row_group(g).num_rows for g in range(told.num_row_groups)])
        first = np.cumsum(count) - count
        group = np.searchsorted(first, row, side="right") - 1
        wanted = np.unique(group)
        # In this thread: those of the library would outlive a short command, and abort it.
        read = opened.read_row_groups(
            wanted.tolist(), [f"{part}.{c}" for c in columns], use_threads=False
        )
    moved = first[wanted] - (np.cumsum(count[wanted]) - count[wanted])
    where = row - moved[np.searchsorted(wanted, group)]
    struct = _whole(read[part])
    return {c: struct.field(c) for c in columns}, np.asarray(where, np.int64)


def _whole(told: Any) -> Any:
    """One array of a column; what is one already is not copied."""
    return told.chunk(0) if told.num_chunks == 1 else told.combine_chunks()


def _lists(told: Any) -> Lists:
    lists = _whole(told) if hasattr(told, "chunks") else told
    offsets = np.asarray(lists.offsets, np.int64)
    values = lists.values.slice(offsets[0], offsets[-1] - offsets[0])
    flat = values.to_numpy(zero_copy_only=False)
    if flat.dtype != object:
        flat = flat.astype(np.float64, copy=False)
    return Lists(flat, offsets[:-1] - offsets[0], np.diff(offsets))
