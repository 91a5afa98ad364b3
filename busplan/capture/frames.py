"""Recorded frames as columns.

The rules of this file: one row a frame, columns not objects; integer nanoseconds; rows keep the
order of the file; payloads lie end to end in one byte buffer, so that 8-byte and 64-byte frames
cost what they are; nothing is rewritten. Columns may be memory maps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from busplan.definitions.model import FrameKey

EXTENDED = 0x01
"""29-bit identifier."""
FD = 0x02
"""CAN FD frame."""
BRS = 0x04
"""CAN FD frame with bit-rate switch."""
ESI = 0x08
"""CAN FD frame from an error-passive sender."""
REMOTE = 0x10
"""Remote frame: no payload, ``length`` is the length asked for."""
ERROR = 0x20
"""Error frame as the interface reported it; the identifier holds its error class bits."""
SENT = 0x40
"""Recorded as sent by the recording device itself."""

I64 = npt.NDArray[np.int64]
U32 = npt.NDArray[np.uint32]
U16 = npt.NDArray[np.uint16]
U8 = npt.NDArray[np.uint8]


class Group(NamedTuple):
    """All frames of one (network, extended flag, identifier): their rows, in time order."""

    network: int
    extended: bool
    identifier: int
    rows: I64


@dataclass(frozen=True, eq=False)
class FrameTable:
    """Recorded frames as columns, all of shape ``(n_frames,)`` unless said otherwise.

    * ``time_ns`` int64, as recorded; ``epoch`` says whether it counts from 1970 (UTC) or from an
      arbitrary start;
    * ``network`` uint16, index into ``networks``: channel names after reading, network names once
      a plan has been applied;
    * ``identifier`` uint32 without any flag bits;
    * ``flags`` uint8, see the constants of this module;
    * ``length`` uint8, payload bytes (bytes asked for in a remote frame);
    * ``start`` int64, first payload byte in ``payload``; a remote frame has none;
    * ``payload`` uint8, shape ``(n_bytes,)``.
    """

    networks: tuple[str, ...]
    time_ns: I64
    network: U16
    identifier: U32
    flags: U8
    length: U8
    start: I64
    payload: U8
    epoch: bool = True

    def __len__(self) -> int:
        return len(self.time_ns)

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
            tuple(networks),
            np.asarray(time_ns, np.int64),
            np.asarray(network, np.uint16),
            np.asarray(identifier, np.uint32),
            flags_array,
            length_array,
            start,
            np.asarray(payload, np.uint8),
            epoch,
        )

    @property
    def extended(self) -> npt.NDArray[np.bool_]:
        """Which frames carry a 29-bit identifier."""
        return np.asarray(self.flags & EXTENDED, np.bool_)

    @property
    def origin_ns(self) -> int:
        """The earliest recorded time; 0 for an empty table."""
        return int(self.time_ns.min()) if len(self) else 0

    @property
    def span_ns(self) -> int:
        """Time between the earliest and the latest frame."""
        return int(self.time_ns.max()) - self.origin_ns if len(self) else 0

    def take(self, rows: npt.ArrayLike) -> FrameTable:
        """The given rows (indices, mask or slice), sharing the payload buffer."""
        pick: Any = rows
        return FrameTable(
            self.networks,
            self.time_ns[pick],
            self.network[pick],
            self.identifier[pick],
            self.flags[pick],
            self.length[pick],
            self.start[pick],
            self.payload,
            self.epoch,
        )

    def relabel(self, names: Mapping[str, str]) -> FrameTable:
        """Channel names replaced by network names; channels that share a name are joined."""
        wanted = [names.get(n, n) for n in self.networks]
        labels = tuple(dict.fromkeys(wanted))
        index = np.array([labels.index(n) for n in wanted], np.uint16)
        network = index[self.network] if len(index) else self.network
        return replace(self, networks=labels, network=network)

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
        columns = np.arange(width)
        sent = columns[None, :] < length[:, None]
        at = np.where(sent, self.start[index][:, None] + columns[None, :], 0)
        if not len(self.payload):
            return np.zeros((len(index), width), np.uint8)
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


def group_rows(table: FrameTable) -> list[Group]:
    """Rows by (network, extended flag, identifier), each in time order, error frames left out."""
    keep = np.flatnonzero((table.flags & ERROR) == 0)
    packed = (
        table.network[keep].astype(np.int64) << 32
        | table.extended[keep].astype(np.int64) << 31
        | table.identifier[keep].astype(np.int64)
    )
    order = np.lexsort((table.time_ns[keep], packed))
    rows, packed = keep[order], packed[order]
    if not len(packed):
        return []
    edges = np.flatnonzero(np.diff(packed, prepend=-1))
    ends = np.append(edges[1:], len(packed))
    return [
        Group(
            int(packed[a] >> 32),
            bool(packed[a] >> 31 & 1),
            int(packed[a] & 0x7FFF_FFFF),
            rows[a:b],
        )
        for a, b in zip(edges, ends, strict=True)
    ]
