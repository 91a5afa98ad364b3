"""Frames of several files brought into one order of time, block by block.

The rules of this file: every file keeps its own order, whatever its times do; only what one block
of each file holds is in memory; of equal times the file named first comes first. A few frames that
follow a long pause at the very end of a block look like wrongly stamped ones, and may come early.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from busplan.capture.chunks import Chunk, joined, reorder
from busplan.frames.columns import I64
from busplan.frames.kinds import REMOTE
from busplan.frames.table import believable_bounds


@dataclass
class _Stream:
    """A file's current block and how far it has been handed on."""

    chunks: Iterator[Chunk]
    chunk: Chunk | None = None
    key: I64 = field(default_factory=lambda: np.empty(0, np.int64))
    byte: I64 = field(default_factory=lambda: np.zeros(1, np.int64))
    """First payload byte of each row, and the number of bytes."""
    row: int = 0

    def advance(self) -> bool:
        """Take the next block when the current one is used up; whether there is one."""
        while self.chunk is None or self.row == len(self.chunk):
            self.chunk = next(self.chunks, None)
            self.row = 0
            if self.chunk is None:
                return False
            if len(self.chunk):
                self._prepare(self.chunk)
        return True

    def _prepare(self, chunk: Chunk) -> None:
        # The latest time so far: where times step back, the file's order stays. A frame stamped
        # far beyond its neighbours must not drag the rest of the file behind the others.
        time_ns = chunk.time_ns
        latest = believable_bounds(time_ns)[1]
        begin = int(self.key[-1]) if len(self.key) else np.iinfo(np.int64).min
        trusted = np.where(time_ns <= latest, time_ns, begin)
        self.key = np.maximum(np.maximum.accumulate(trusted), begin)
        stored = np.where(chunk.flags & REMOTE, 0, chunk.length).astype(np.int64)
        self.byte = np.concatenate(([0], np.cumsum(stored)))

    def upto(self, key: int, *, equal: bool) -> tuple[Chunk, I64]:
        """Hand on the rows before a key, with ``equal`` those of the key too."""
        assert self.chunk is not None
        side: Literal["left", "right"] = "right" if equal else "left"
        first, self.row = self.row, int(np.searchsorted(self.key, key, side))
        rows = slice(first, self.row)
        c = self.chunk
        part = Chunk(
            c.time_ns[rows],
            c.network[rows],
            c.identifier[rows],
            c.flags[rows],
            c.length[rows],
            c.payload[self.byte[first] : self.byte[self.row]],
        )
        return part, self.key[rows]

    def rest(self) -> Chunk:
        """Hand on what is left of the current block."""
        return self.upto(int(self.key[-1]), equal=True)[0]


def merged(files: Sequence[Iterator[Chunk]]) -> Iterator[Chunk]:
    """The blocks of all files as one, in order of time; ``network`` must number all of them."""
    streams = [_Stream(chunks) for chunks in files]
    while len(streams) > 1 and (streams := [s for s in streams if s.advance()]):
        ends = [int(s.key[-1]) for s in streams]
        until = min(ends)
        # This file's next block may go on at the same moment: files after it must wait there.
        shortest = ends.index(until)
        taken = [s.upto(until, equal=i <= shortest) for i, s in enumerate(streams)]
        parts = [part for part, _ in taken if len(part)]
        if len(parts) == 1:
            yield parts[0]
            continue
        order = np.argsort(np.concatenate([key for _, key in taken]), kind="stable")
        yield reorder(joined(parts), order)
    for last in streams:  # one at most: nothing to sort its frames among
        if last.chunk is not None and last.row < len(last.chunk):
            yield last.rest()
        yield from (chunk for chunk in last.chunks if len(chunk))
