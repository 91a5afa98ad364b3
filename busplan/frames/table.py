"""Recorded frames as columns.

The rules of this file: one row a frame, columns not objects; integer nanoseconds; rows keep the
order of the file; payloads lie end to end in one byte buffer, so that 8-byte and 64-byte frames
cost what they are; nothing is rewritten. Columns may be memory maps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import I64, U8, U16, U32, Group
from busplan.frames.grouping import Grouper, as_groups
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import EXTENDED, REMOTE
from busplan.wording import listing

MINUTE_NS = 60 * 10**9
APART_NS = 30 * 24 * 60 * MINUTE_NS
"""No recording pauses for so long: what lies further apart was stamped by another clock [ns]."""
_ROWS_AT_ONCE = 1 << 18


@dataclass(frozen=True, eq=False, repr=False)
class FrameTable:
    """Recorded frames as columns, all of shape ``(n_frames,)`` unless said otherwise.

    * ``time_ns`` int64, as recorded; ``epoch`` says whether it counts from 1970 (UTC) or from an
      arbitrary start;
    * ``network`` uint16, index into ``networks``: channel names after reading, network names once
      a plan has been applied;
    * ``identifier`` uint32 without any flag bits;
    * ``flags`` uint8, see the constants of this module;
    * ``length`` uint8, payload bytes (bytes asked for in a remote frame); uint32 in a table of
      messages that were put together from several frames (:mod:`busplan.transport`);
    * ``start`` int64, first payload byte in ``payload``; a remote frame has none;
    * ``payload`` uint8, shape ``(n_bytes,)``.
    """

    networks: tuple[str, ...]
    time_ns: I64
    network: U16
    identifier: U32
    flags: U8
    length: U8 | U32
    start: I64
    payload: U8
    epoch: bool = True
    index: tuple[Group, ...] | None = None
    """The groups, when whoever made the table knows them already."""
    bounds: tuple[int, int] | None = None
    """Earliest and latest believable time, when known already."""

    def __len__(self) -> int:
        return len(self.time_ns)

    def __repr__(self) -> str:
        names = listing(map(repr, self.networks), 6) if self.networks else "no network"
        return f"<FrameTable: {len(self):,} frames in {self.span_ns / 1e9:,.3f} s on {names}>"

    def __getstate__(self) -> dict[str, Any]:
        """Columns as plain arrays, whatever they are mapped from; payloads of these rows only."""
        state = {f.name: getattr(self, f.name) for f in fields(self)}
        state["start"], state["payload"] = self._own_payload()
        for name, value in state.items():
            if isinstance(value, np.ndarray):
                state[name] = np.array(value)
        if self.index is not None:
            state["index"] = tuple(g._replace(rows=np.array(g.rows)) for g in self.index)
        return state

    def _own_payload(self) -> tuple[I64, U8]:
        """``start`` and ``payload`` without the bytes that no row of this table stands for."""
        stored = np.where(self.flags & REMOTE, 0, self.length).astype(np.int64)
        size = int(stored.sum())
        if size >= len(self.payload):
            return self.start, self.payload
        start = np.cumsum(stored) - stored
        payload = np.empty(size, np.uint8)
        for row in range(0, len(self), _ROWS_AT_ONCE):
            block = slice(row, row + _ROWS_AT_ONCE)
            first = int(start[row])
            here = int(stored[block].sum())
            at = np.repeat(self.start[block] - start[block] + first, stored[block])
            payload[first : first + here] = self.payload[at + np.arange(here)]
        return start, payload

    @staticmethod
    def empty(networks: Sequence[str] = ()) -> FrameTable:
        """A table without frames."""
        return FrameTable.from_columns(
            networks, np.empty(0, np.int64), [], [], [], [], np.empty(0, np.uint8)
        )

    @staticmethod
    def from_columns(
        networks: Sequence[str],
        time_ns: npt.ArrayLike,
        network: npt.ArrayLike,
        identifier: npt.ArrayLike,
        flags: npt.ArrayLike,
        length: npt.ArrayLike,
        payload: npt.ArrayLike,
        *,
        epoch: bool = True,
    ) -> FrameTable:
        """Make a table from columns whose payloads follow each other in row order."""
        flags_array = np.asarray(flags, np.uint8)
        length_array = np.asarray(length, np.uint8)
        stored = np.where(flags_array & REMOTE, 0, length_array).astype(np.int64)
        start = np.zeros(len(length_array), np.int64)
        np.cumsum(stored[:-1], out=start[1:])
        return FrameTable(
            networks=tuple(networks),
            time_ns=np.asarray(time_ns, np.int64),
            network=np.asarray(network, np.uint16),
            identifier=np.asarray(identifier, np.uint32),
            flags=flags_array,
            length=length_array,
            start=start,
            payload=np.asarray(payload, np.uint8),
            epoch=epoch,
        )

    @property
    def extended(self) -> npt.NDArray[np.bool_]:
        """Which frames carry a 29-bit identifier."""
        return np.asarray(self.flags & EXTENDED, np.bool_)

    @cached_property
    def believable(self) -> tuple[int, int]:
        """Earliest and latest believable time, see :func:`believable_bounds`."""
        return self.bounds or believable_bounds(self.time_ns)

    @property
    def origin_ns(self) -> int:
        """The earliest believable time; 0 for an empty table."""
        return self.believable[0]

    @property
    def span_ns(self) -> int:
        """Time between the earliest and the latest believable frame."""
        return self.believable[1] - self.believable[0]

    def take(self, rows: npt.ArrayLike | slice) -> FrameTable:
        """The given rows (indices, mask or slice), sharing the payload buffer."""
        pick: Any = rows
        return FrameTable(
            networks=self.networks,
            time_ns=self.time_ns[pick],
            network=self.network[pick],
            identifier=self.identifier[pick],
            flags=self.flags[pick],
            length=self.length[pick],
            start=self.start[pick],
            payload=self.payload,
            epoch=self.epoch,
        )

    def owned(self) -> FrameTable:
        """The same frames with a payload of their own: the buffer they shared can go."""
        start, payload = self._own_payload()
        return replace(self, start=start, payload=payload)

    def relabel(self, names: Mapping[str, str]) -> FrameTable:
        """Channel names replaced by network names; channels that share a name are joined."""
        wanted = [names.get(n, n) for n in self.networks]
        labels = tuple(dict.fromkeys(wanted))
        number = [labels.index(n) for n in wanted]
        if number == list(range(len(wanted))):
            return replace(self, networks=labels)
        network = np.array(number, np.uint16)[self.network]
        return replace(self, networks=labels, network=network, index=self._join_groups(number))

    def _join_groups(self, number: Sequence[int]) -> tuple[Group, ...] | None:
        """The known groups with networks renumbered, those that fall together merged."""
        if self.index is None:
            return None
        parts: dict[tuple[int, bool, int], list[I64]] = {}
        for g in self.index:
            parts.setdefault((number[g.network], g.extended, g.identifier), []).append(g.rows)
        merged = []
        for key, rows in sorted(parts.items()):
            joined = rows[0] if len(rows) == 1 else np.sort(np.concatenate(rows))
            if len(rows) > 1:
                joined = joined[np.argsort(self.time_ns[joined], kind="stable")]
            merged.append(Group(*key, joined))
        return tuple(merged)

    def bytes_of(self, row: int) -> bytes:
        """The payload of one frame."""
        if self.flags[row] & REMOTE:
            return b""
        start = int(self.start[row])
        return self.payload[start : start + int(self.length[row])].tobytes()

    def payload_matrix(self, rows: npt.ArrayLike, width: int) -> U8:
        """Payloads of ``rows`` as uint8 ``(n_rows, width)``; bytes not sent are zero.

        Compare ``length`` with what a signal needs to tell "zero" from "not sent".
        """
        index = np.asarray(rows, np.int64)
        length = np.where(self.flags[index] & REMOTE, 0, self.length[index])
        start = self.start[index]
        if not width or not len(index) or int(start.max()) + width > len(self.payload):
            return self._payload_bytes(start, length, width)
        view = np.lib.stride_tricks.sliding_window_view(np.asarray(self.payload), width)
        matrix: U8 = view[start]
        if int(length.min()) < width:
            matrix[np.arange(width)[None, :] >= length[:, None]] = 0
        return matrix

    def _payload_bytes(self, start: I64, length: npt.NDArray[Any], width: int) -> U8:
        """The same byte by byte, for frames whose ``width`` reaches beyond the payload buffer."""
        columns = np.arange(width)
        sent = columns[None, :] < length[:, None]
        at = np.where(sent, start[:, None] + columns[None, :], 0)
        if not len(self.payload):
            return np.zeros((len(start), width), np.uint8)
        return np.where(sent, self.payload[at], 0).astype(np.uint8)

    @cached_property
    def groups(self) -> dict[FrameKey, I64]:
        """Rows of each (network, extended, identifier), in time order; error frames left out.

        Equal times keep the order of the file.
        """
        return {
            FrameKey(self.networks[g.network], g.extended, g.identifier): g.rows
            for g in group_rows(self)
        }

    def rows_of(self, key: FrameKey) -> I64:
        """Rows of one identifier in time order; empty when it never came."""
        return self.groups.get(key, np.empty(0, np.int64))


def concatenate(tables: Sequence[FrameTable]) -> FrameTable:
    """Tables with the same networks, one after the other.

    Raises ``ValueError`` when their networks differ or there is none.
    """
    if not tables:
        raise ValueError("no tables to put together")
    networks = tables[0].networks
    if any(t.networks != networks for t in tables):
        raise ValueError("tables to be put together must have the same networks")
    sizes = np.cumsum([0, *(len(t.payload) for t in tables)])
    return FrameTable(
        networks=networks,
        time_ns=np.concatenate([t.time_ns for t in tables]),
        network=np.concatenate([t.network for t in tables]),
        identifier=np.concatenate([t.identifier for t in tables]),
        flags=np.concatenate([t.flags for t in tables]),
        length=np.concatenate([t.length for t in tables]),
        start=np.concatenate([t.start + size for t, size in zip(tables, sizes, strict=False)]),
        payload=np.concatenate([t.payload for t in tables]),
        epoch=tables[0].epoch,
    )


def group_rows(table: FrameTable) -> tuple[Group, ...]:
    """Rows by (network, extended flag, identifier), each in time order, error frames left out."""
    if table.index is not None:
        return table.index
    grouper = Grouper()
    grouper.add(
        table.time_ns,
        table.network,
        table.identifier,
        table.flags,
        table.length,
        table.start,
        table.payload,
    )
    rows, keys, begin = grouper.rows()
    grouper.sort_times(rows, begin, table.time_ns)
    return as_groups(rows, keys, begin)


def believable_bounds(time_ns: I64) -> tuple[int, int]:
    """Earliest and latest time that belong to the recording; ``(0, 0)`` without frames.

    A recorder may hand out a stale frame from its buffer first, or stamp one with a wrong clock, or
    begin before its clock is set; none of this must stretch an hour to years. Of an even sample of
    the times, the largest part without a step of :data:`APART_NS` counts, the later of equal ones.
    Of that, up to 16 at each end (at most one in 20) are not trusted; whatever lies further from
    the trusted rest than twice its span, and a minute at least, is left out. Times themselves are
    never changed.
    """
    if not len(time_ns):
        return 0, 0
    sample = time_ns[:: max(1, len(time_ns) // 20_000)]
    if (sample[1:] < sample[:-1]).any():
        sample = np.sort(sample)
    apart = np.flatnonzero(np.diff(sample) > APART_NS) + 1
    if len(apart):
        sample = max(reversed(np.split(sample, apart)), key=len)
    doubt = min(16, len(sample) // 20)
    low, high = int(sample[doubt]), int(sample[len(sample) - 1 - doubt])
    reach = max(MINUTE_NS, 2 * (high - low))
    first, last = int(time_ns.min()), int(time_ns.max())
    if first < low - reach or last > high + reach:
        inside = time_ns[(time_ns >= low - reach) & (time_ns <= high + reach)]
        first, last = int(inside.min()), int(inside.max())
    return first, last
