"""Where each identifier's latest frame is, at any moment, for all identifiers at once.

Nothing is copied that the table already has: an hour of frames takes no more room than its index,
and 8 bytes a frame where there are messages of several frames too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey
from busplan.transport.messages import Messages


@dataclass(frozen=True, eq=False)
class FrameIndex:
    """Frames, and messages of several frames, ordered by identifier, then by time.

    ``rows`` has shape ``(n_rows,)``, numbered as in ``messages`` (error frames left out); those of
    ``keys[k]`` lie in ``starts[k]:starts[k + 1]``. Times count from the capture's first frame at
    ``origin_ns``. A *position* is an index into ``rows``.
    """

    messages: Messages
    keys: tuple[FrameKey, ...]
    starts: I64
    rows: I64

    @staticmethod
    def of(messages: Messages) -> FrameIndex:
        """Index what a capture says, its networks already named as the plan names them."""
        groups = messages.groups
        starts = np.zeros(len(groups) + 1, np.int64)
        np.cumsum([len(rows) for rows in groups.values()], out=starts[1:])
        return FrameIndex(messages, tuple(groups), starts, _joined(list(groups.values())))

    @property
    def origin_ns(self) -> int:
        """What times count from, in the table's own time."""
        return self.messages.frames.origin_ns

    @cached_property
    def number(self) -> dict[FrameKey, int]:
        """Key → its place in ``keys``."""
        return {key: k for k, key in enumerate(self.keys)}

    def times_at(self, positions: I64 | slice) -> I64:
        """Times [ns] of the frames at ``positions``."""
        return self.messages.times(self.rows[positions]) - self.origin_ns

    def time_at(self, position: int) -> int:
        """Time [ns] of one frame."""
        return self.messages.time_of(int(self.rows[position])) - self.origin_ns

    def upto(self, t_ns: int) -> I64:
        """For each key the position after its last frame at or before ``t_ns``; ``(n_keys,)``.

        Equal to ``starts[:-1]`` where none has come yet.
        """
        return self._search(self.starts[:-1], self.starts[1:], t_ns)

    def upto_of(self, k: int, at_ns: I64) -> I64:
        """The same for one key at many moments; the shape of ``at_ns``."""
        low = np.full(len(at_ns), self.starts[k], np.int64)
        return self._search(low, np.full(len(at_ns), self.starts[k + 1], np.int64), at_ns)

    def _search(self, low: I64, high: I64, at_ns: int | I64) -> I64:
        """One binary search for all together: about ``log2(n_frames)`` numpy steps in all."""
        low, high = low.copy(), high.copy()
        wanted = at_ns + self.origin_ns
        open_ = low < high
        while open_.any():
            middle = (low + high) >> 1
            times = self.messages.times(self.rows[np.where(open_, middle, 0)])
            right = open_ & (times <= wanted)
            low = np.where(right, middle + 1, low)
            high = np.where(open_ & ~right, middle, high)
            open_ = low < high
        return low

    def slice_of(self, k: int) -> slice:
        """The positions of one key."""
        return slice(int(self.starts[k]), int(self.starts[k + 1]))

    def believable(self, k: int) -> slice:
        """The same without stamps of another clock."""
        first, last = self.bounds
        return slice(int(first[k]), int(last[k]))

    @cached_property
    def bounds(self) -> tuple[I64, I64]:
        """For each key the first and the end of its positions without stamps of another clock."""
        earliest, latest = self.messages.frames.believable
        origin = self.origin_ns
        return self.upto(earliest - origin - 1), self.upto(latest - origin)


def _joined(parts: Sequence[I64]) -> I64:
    """The arrays one after the other; a view where they already lie so in one array."""
    if not parts:
        return np.empty(0, np.int64)
    whole = parts[0].base
    if isinstance(whole, np.ndarray) and whole.dtype == np.int64 and whole.flags.c_contiguous:
        at = first = (_address(parts[0]) - _address(whole)) // 8
        for part in parts:
            if part.base is not whole or not part.flags.c_contiguous:
                break
            if len(part) and (_address(part) - _address(whole)) // 8 != at:
                break
            at += len(part)
        else:
            return whole.reshape(-1)[first:at]
    return np.concatenate(parts)


def _address(array: I64) -> int:
    return int(array.__array_interface__["data"][0])
