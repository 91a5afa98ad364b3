"""What every reader delivers: blocks of frames as columns, in the order of the file."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from busplan.frames.columns import I64, U8, U16, U32
from busplan.frames.kinds import REMOTE
from busplan.frames.table import FrameTable

Progress = Callable[[int, int], None]
"""Called with bytes of the file consumed and frames found so far."""


@dataclass(frozen=True, eq=False)
class Chunk:
    """Consecutive frames of one file; columns as in :class:`FrameTable`.

    ``network`` indexes the file's :class:`ChannelNames`; payloads follow each other in row order.
    """

    time_ns: I64
    network: U16
    identifier: U32
    flags: U8
    length: U8
    payload: U8

    COLUMNS: ClassVar[tuple[str, ...]] = (
        "time_ns",
        "network",
        "identifier",
        "flags",
        "length",
        "payload",
    )

    def __len__(self) -> int:
        return len(self.time_ns)


def reorder(chunk: Chunk, order: I64) -> Chunk:
    """The same frames in another order."""
    stored = np.where(chunk.flags & REMOTE, 0, chunk.length).astype(np.int64)
    start = np.cumsum(stored) - stored
    moved = stored[order]
    source = np.repeat(start[order] - (np.cumsum(moved) - moved), moved) + np.arange(moved.sum())
    return Chunk(
        chunk.time_ns[order],
        chunk.network[order],
        chunk.identifier[order],
        chunk.flags[order],
        chunk.length[order],
        chunk.payload[source],
    )


NOTHING = Chunk(
    np.empty(0, np.int64),
    np.empty(0, np.uint16),
    np.empty(0, np.uint32),
    np.empty(0, np.uint8),
    np.empty(0, np.uint8),
    np.empty(0, np.uint8),
)
"""A chunk without frames."""


def joined(parts: Sequence[Chunk]) -> Chunk:
    """Chunks one after the other; at least one."""
    return Chunk(*(np.concatenate([getattr(p, n) for p in parts]) for n in Chunk.COLUMNS))


def put_among(chunk: Chunk, more: Chunk, before: I64) -> Chunk:
    """``chunk`` with the frames of ``more`` put in, each behind its first ``before`` frames."""
    key = np.concatenate((2 * np.arange(len(chunk)) + 1, 2 * before))
    return reorder(joined((chunk, more)), np.argsort(key, kind="stable"))


@dataclass
class ChannelNames:
    """Channel names of a file in order of appearance."""

    names: list[str] = field(default_factory=list)
    _index: dict[str, int] = field(default_factory=dict)

    def index(self, name: str) -> int:
        """The number of a channel, a new one when the name is new."""
        if name not in self._index:
            self._index[name] = len(self.names)
            self.names.append(name)
        return self._index[name]


LATEST_S = 4_000_000_000
"""Times beyond this many seconds (the year 2096) are not believed to be times; half of what 64 bits
of nanoseconds hold, so that an offset can never overflow."""
MOST_WORDS = 62
"""Words behind the payload of a line that are told apart, each a bit of an int64."""
EPOCH_FROM_NS = 315_360_000 * 10**9
"""Times from ten years up are taken as counted from 1970, smaller ones from an own start."""


def join(chunks: Iterable[Chunk], names: ChannelNames) -> FrameTable:
    """All blocks of a file as one table in memory."""
    parts = [c for c in chunks if len(c)]
    if not parts:
        return FrameTable.empty(names.names)
    whole = joined(parts)
    return FrameTable.from_columns(
        names.names,
        whole.time_ns,
        whole.network,
        whole.identifier,
        whole.flags,
        whole.length,
        whole.payload,
        epoch=bool(np.median(whole.time_ns[:1000]) >= EPOCH_FROM_NS),
    )
