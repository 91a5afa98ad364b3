"""The kinds of columns that frames stand in, and the rows of one identifier."""

from __future__ import annotations

from typing import Any, NamedTuple, TypeVar, cast

import numpy as np
import numpy.typing as npt

I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
U32 = npt.NDArray[np.uint32]
U16 = npt.NDArray[np.uint16]
U8 = npt.NDArray[np.uint8]
I32 = npt.NDArray[np.int32]
I8 = npt.NDArray[np.int8]
Mask = npt.NDArray[np.bool_]
Array = npt.NDArray[Any]
"""Of any kind."""

Kind = TypeVar("Kind", bound=np.generic)
Column = TypeVar("Column", bound=npt.NDArray[Any])


class Group(NamedTuple):
    """All frames of one (network, extended flag, identifier): their rows, in time order."""

    network: int
    extended: bool
    identifier: int
    rows: I64


def read_only(column: Column) -> Column:
    """A contiguous read-only view: memory maps and arrays then share one compiled kernel."""
    view: Any = np.ascontiguousarray(column).view()
    view.flags.writeable = False
    return cast(Column, view)


def different(values: npt.NDArray[Kind]) -> npt.NDArray[Kind]:
    """What :func:`numpy.unique` gives of values (n,) that hardly repeat and are nearly in order.

    It hashes integers, which takes a hundred times as long for some hundred thousand times.
    """
    ordered = np.sort(values, kind="stable")
    first = np.ones(len(ordered), np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=first[1:])
    return ordered[first]
