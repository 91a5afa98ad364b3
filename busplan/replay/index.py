"""Where each identifier's latest frame is, at any moment, for all identifiers at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from busplan.capture.frames import I64, FrameTable
from busplan.definitions.model import FrameKey


@dataclass(frozen=True, eq=False)
class FrameIndex:
    """Frames ordered by identifier, then by time.

    ``rows`` and ``times_ns`` have shape ``(n_frames,)`` (error frames left out); those of
    ``keys[k]`` lie in ``starts[k]:starts[k + 1]``. Times count from the capture's first frame at
    ``origin_ns``. A *position* is an index into ``rows``.
    """

    keys: tuple[FrameKey, ...]
    starts: I64
    rows: I64
    times_ns: I64
    origin_ns: int

    @staticmethod
    def of(table: FrameTable) -> FrameIndex:
        """Index a table whose networks are already named as the plan names them."""
        groups = table.groups
        counts = [len(rows) for rows in groups.values()]
        starts = np.zeros(len(counts) + 1, np.int64)
        np.cumsum(counts, out=starts[1:])
        rows = np.concatenate(list(groups.values())) if groups else np.empty(0, np.int64)
        origin = table.origin_ns
        return FrameIndex(tuple(groups), starts, rows, table.time_ns[rows] - origin, origin)

    @cached_property
    def number(self) -> dict[FrameKey, int]:
        """Key → its place in ``keys``."""
        return {key: k for k, key in enumerate(self.keys)}

    def upto(self, t_ns: int) -> I64:
        """For each key the position after its last frame at or before ``t_ns``; ``(n_keys,)``.

        Equal to ``starts[:-1]`` where none has come yet. One binary search for all keys together:
        about ``log2(n_frames)`` numpy steps whatever the number of keys.
        """
        low, high = self.starts[:-1].copy(), self.starts[1:].copy()
        while (open_ := low < high).any():
            middle = (low + high) >> 1
            right = open_ & (self.times_ns[np.where(open_, middle, 0)] <= t_ns)
            low = np.where(right, middle + 1, low)
            high = np.where(open_ & ~right, middle, high)
        return low

    def slice_of(self, k: int) -> slice:
        """The positions of one key."""
        return slice(int(self.starts[k]), int(self.starts[k + 1]))
