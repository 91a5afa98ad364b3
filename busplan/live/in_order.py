"""Frames of several interfaces put in order of time before they are written."""

from __future__ import annotations

import numpy as np

from busplan.capture.trust import JITTER_NS
from busplan.frames.columns import I64
from busplan.frames.kinds import REMOTE
from busplan.frames.table import FrameTable, concatenate


class InOrder:
    """Holds the newest frames back for one round, so that late ones of another interface go first.

    Rounds are the ticks of a recording. Within ``window_ns`` frames are sorted by their time; when
    clocks are further apart than that, or one was set back, frames stay as they came.
    """

    def __init__(self, window_ns: int) -> None:
        self._window_ns = window_ns
        self._held: FrameTable | None = None

    @property
    def held(self) -> int:
        """How many frames wait."""
        return 0 if self._held is None else len(self._held)

    def add(self, table: FrameTable) -> FrameTable:
        """What may be written now that ``table`` has come; the rest is held."""
        before, self._held = self._held, None
        if before is None or not len(before):
            self._held = table if len(table) else None
            return table.take(slice(0, 0))
        if not len(table):
            return before
        both = concatenate([before, table])
        if both.span_ns >= self._window_ns or clock_parts(both).any():
            self._held = table
            return before
        order = np.argsort(both.time_ns, kind="stable")
        ready = int(np.searchsorted(both.time_ns[order], int(before.time_ns.max()), side="right"))
        self._held = _compact(both.take(order[ready:])) if ready < len(order) else None
        return both.take(order[:ready])

    def rest(self, table: FrameTable) -> FrameTable:
        """Everything that is held, with the last ``table``."""
        before = self.add(table)
        held, self._held = self._held, None
        return before if held is None else concatenate([before, held])


def clock_parts(table: FrameTable) -> I64:
    """Which part between steps back of its interface's clock each frame (n,) belongs to, from 0.

    An interface hands its frames on in the order of their times but for an ordinary blemish.
    """
    parts = np.zeros(len(table), np.int64)
    for number in range(len(table.networks)):
        rows = np.flatnonzero(table.network == number)
        parts[rows[1:]] = np.cumsum(np.diff(table.time_ns[rows]) < -JITTER_NS)
    return parts


def _compact(table: FrameTable) -> FrameTable:
    """The table with a payload buffer of its own, without the bytes of other rows."""
    size = np.where((table.flags & REMOTE) != 0, 0, table.length).astype(np.int64)
    ends = np.cumsum(size)
    places = np.arange(int(size.sum())) + np.repeat(table.start - (ends - size), size)
    return FrameTable.from_columns(
        table.networks,
        table.time_ns,
        table.network,
        table.identifier,
        table.flags,
        table.length,
        table.payload[places],
    )
