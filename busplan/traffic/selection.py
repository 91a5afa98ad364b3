"""Choosing frames of a recording: a span of time, networks, identifiers."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from busplan.errors import UsageError
from busplan.frames.columns import I64
from busplan.frames.kinds import ERROR
from busplan.frames.table import FrameTable
from busplan.plan.problems import suggestion


def chosen_rows(
    table: FrameTable,
    *,
    begin_s: float | None = None,
    end_s: float | None = None,
    networks: Collection[str] = (),
    identifiers: Collection[tuple[int, bool]] = (),
) -> I64:
    """Rows of the frames asked for, in the order of the recording; ``(n_chosen,)``.

    Times [s] count from the first frame; the begin counts in, the end does not. ``identifiers`` are
    pairs of a value and whether it has 29 bits; error frames have none. What is left empty or
    ``None`` limits nothing. :class:`UsageError` for a network that is not there.
    """
    keep = np.ones(len(table), np.bool_)
    if begin_s is not None:
        keep &= table.time_ns >= table.origin_ns + round(begin_s * 1e9)
    if end_s is not None:
        keep &= table.time_ns < table.origin_ns + round(end_s * 1e9)
    if networks:
        keep &= np.isin(table.network, [_number(table, name) for name in networks])
    if identifiers:
        wanted = np.zeros(len(table), np.bool_)
        for value, extended in identifiers:
            wanted |= (table.identifier == value) & (table.extended == extended)
        keep &= wanted & ((table.flags & ERROR) == 0)
    return np.flatnonzero(keep)


def _number(table: FrameTable, name: str) -> int:
    if name not in table.networks:
        raise UsageError(f"no channel {name!r} here{suggestion(name, table.networks, 'channel')}")
    return table.networks.index(name)
