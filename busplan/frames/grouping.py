"""Rows by identifier, built block by block: a counting sort over group numbers."""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import I32, I64, U8, U16, U32, Group, read_only

_FIRST_ROOM = 1 << 10


class Grouper:
    """Numbers the groups of frames that arrive in blocks; then lists each group's rows.

    Rows of a group come in time order, equal times in the order of arrival.
    """

    def __init__(self) -> None:
        self.known = 0
        """Different identifiers so far."""
        self._keys = np.zeros(_FIRST_ROOM, np.int64)
        self._counts = np.zeros(_FIRST_ROOM, np.int64)
        self._latest = np.zeros(_FIRST_ROOM, np.int64)
        self._unordered = np.zeros(_FIRST_ROOM, np.bool_)
        self._slots = np.full(4 * _FIRST_ROOM, -1, np.int32)
        self._blocks: list[I32] = []
        self.doubled = np.zeros(1 << 16, np.int64)
        """By network: frames that repeat the one before them sooner than a bus could."""

    def _make_room(self) -> None:
        from busplan.frames import index_kernels

        more = 3 * len(self._keys)
        self._keys = np.append(self._keys, np.zeros(more, np.int64))
        self._counts = np.append(self._counts, np.zeros(more, np.int64))
        self._latest = np.append(self._latest, np.zeros(more, np.int64))
        self._unordered = np.append(self._unordered, np.zeros(more, np.bool_))
        self._slots = np.full(4 * len(self._keys), -1, np.int32)
        index_kernels.enter_keys(self._slots, self._keys, self.known)

    def add(
        self,
        time_ns: I64,
        network: U16,
        identifier: U32,
        flags: U8,
        length: U8 | U32,
        start: I64,
        payload: U8,
    ) -> None:
        """Take in the next rows; columns as in :class:`FrameTable`."""
        from busplan.frames import index_kernels

        group = np.empty(len(time_ns), np.int32)
        row = 0
        while row < len(time_ns):
            row, self.known = index_kernels.number_groups(
                read_only(time_ns),
                read_only(network),
                read_only(identifier),
                read_only(flags),
                read_only(length),
                read_only(start),
                read_only(payload),
                row,
                self._slots,
                self._keys,
                self._counts,
                self._latest,
                self._unordered,
                group,
                self.doubled,
                self.known,
            )
            if row < len(time_ns):
                self._make_room()
        self._blocks.append(group)

    def rows(self) -> tuple[I64, I64, I64]:
        """All rows sorted by group, the groups' keys in ascending order and where each begins.

        ``(n_rows,)``, ``(n_groups,)`` and ``(n_groups + 1,)``. Call :meth:`sort_times` on the
        result's rows when a group may be out of time order.
        """
        from busplan.frames import index_kernels

        keys, counts = self._keys[: self.known], self._counts[: self.known]
        order = np.argsort(keys)
        begin = np.zeros(self.known + 1, np.int64)
        np.cumsum(counts[order], out=begin[1:])
        following = np.empty(self.known, np.int64)
        following[order] = begin[:-1]
        rows = np.empty(int(begin[-1]), np.int64)
        base = 0
        for group in self._blocks:
            index_kernels.fill_rows(group, base, following, rows)
            base += len(group)
        self._torn = [int(i) for i in np.flatnonzero(self._unordered[: self.known][order])]
        return rows, keys[order], begin

    def sort_times(self, rows: I64, begin: I64, time_ns: I64) -> None:
        """Bring the groups whose times step back into time order, in place."""
        for i in self._torn:
            part = rows[begin[i] : begin[i + 1]]
            part[:] = part[np.argsort(time_ns[part], kind="stable")]


def as_groups(rows: I64, keys: I64, begin: I64) -> tuple[Group, ...]:
    """The groups as views into ``rows``."""
    return tuple(
        Group(
            int(key) >> 32,
            bool(int(key) >> 31 & 1),
            int(key) & 0x7FFF_FFFF,
            rows[begin[i] : begin[i + 1]],
        )
        for i, key in enumerate(keys)
    )
