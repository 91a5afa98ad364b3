"""Everything a capture says: its frames, and the messages put together from several of them.

The rules of this file: the columns of recorded frames are neither copied nor widened. Messages that
were put together are rows of their own, numbered on from the last frame; whoever wants payloads of
rows asks :meth:`Messages.pick` for a table that has them.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import REMOTE
from busplan.frames.table import FrameTable, concatenate
from busplan.plan.vehicle import Vehicle
from busplan.transport import endings, iso15765, j1939
from busplan.transport.iso15765 import Segmented
from busplan.transport.sessions import Reassembly


@dataclass(frozen=True, eq=False)
class Messages:
    """Frames, and what was put together from them.

    Rows below ``len(frames)`` are frames, the others messages of several frames. Single frames of
    a segmented identifier count among the latter: their protocol byte is no message byte.
    ``answers`` are identifiers with nothing but flow control for segmented ones.
    """

    frames: FrameTable
    parts: tuple[Reassembly, ...] = ()
    answers: frozenset[FrameKey] = frozenset()

    @cached_property
    def joined(self) -> FrameTable | None:
        """The messages put together, ``None`` without any."""
        tables = [p.messages for p in self.parts if len(p.messages)]
        return concatenate(tables) if tables else None

    @property
    def networks(self) -> tuple[str, ...]:
        """Names of the networks."""
        return self.frames.networks

    @cached_property
    def carriers(self) -> frozenset[FrameKey]:
        """Identifiers of J1939 transport and of flow control: their frames are in the groups but
        say nothing alone."""
        return frozenset(filter(j1939.is_carrier, self._split)) | self.answers

    @cached_property
    def _split(self) -> frozenset[FrameKey]:
        """Identifiers whose frames carry parts of messages."""
        return frozenset(key for part in self.parts for key in part.carriers)

    @cached_property
    def groups(self) -> dict[FrameKey, I64]:
        """Rows of each (network, extended, identifier), in time order.

        Frames of J1939 transport are there too; those of segmented identifiers are not.
        """
        hidden = self._split - self.carriers
        groups = {key: rows for key, rows in self.frames.groups.items() if key not in hidden}
        done = len(self.frames)
        for part in self.parts:
            for key, rows in part.messages.groups.items():
                groups[key] = self._merged(groups.get(key), rows + done)
            done += len(part.messages)
        return groups

    def _merged(self, frames: I64 | None, rows: I64) -> I64:
        if frames is None:
            return rows
        both = np.concatenate([frames, rows])
        return both[np.argsort(self.times(both), kind="stable")]

    def rows_of(self, key: FrameKey) -> I64:
        """Rows of one identifier in time order; empty when it never came."""
        return self.groups.get(key, np.empty(0, np.int64))

    def times(self, rows: I64) -> I64:
        """Times of rows [ns], in the shape of ``rows``."""
        if self.joined is None:
            return self.frames.time_ns[rows]
        mine = rows < len(self.frames)
        times = np.empty(rows.shape, np.int64)
        times[mine] = self.frames.time_ns[rows[mine]]
        times[~mine] = self.joined.time_ns[rows[~mine] - len(self.frames)]
        return times

    def time_of(self, row: int) -> int:
        """Time of one row [ns]."""
        if row < len(self.frames) or self.joined is None:
            return int(self.frames.time_ns[row])
        return int(self.joined.time_ns[row - len(self.frames)])

    def bytes_of(self, row: int) -> bytes:
        """The payload of one row."""
        if row < len(self.frames) or self.joined is None:
            return self.frames.bytes_of(row)
        return self.joined.bytes_of(row - len(self.frames))

    def pick(self, rows: I64) -> tuple[FrameTable, I64]:
        """A table that holds these rows, and where in it they are."""
        n = len(self.frames)
        if self.joined is None or not len(rows) or rows.max() < n:
            return self.frames, rows
        if rows.min() >= n:
            return self.joined, rows - n
        return self._mixed(rows), np.arange(len(rows))

    def table(self) -> FrameTable:
        """All as one table in time order, without the frames that carry parts.

        The columns are copied: for captures that are small.
        """
        if not self.parts:
            return self.frames
        split = [self.frames.groups[key] for key in self._split]
        rows = np.setdiff1d(np.arange(len(self.frames)), np.concatenate(split))
        tables = [self.frames.take(rows), *([] if self.joined is None else [self.joined])]
        both = concatenate(tables)
        return both.take(np.argsort(both.time_ns, kind="stable"))

    def _mixed(self, rows: I64) -> FrameTable:
        """Frames and messages in one table, in the order of ``rows``."""
        assert self.joined is not None
        n = len(self.frames)
        single, long = rows[rows < n], rows[rows >= n] - n
        frames = self.frames.take(single)
        sent = np.where(frames.flags & REMOTE, 0, frames.length).astype(np.int64)
        width = int(sent.max())
        content = frames.payload_matrix(np.arange(len(single)), width)
        own = FrameTable(
            networks=frames.networks,
            time_ns=frames.time_ns,
            network=frames.network,
            identifier=frames.identifier,
            flags=frames.flags,
            length=frames.length,
            start=np.cumsum(sent) - sent,
            payload=content[np.arange(width) < sent[:, None]],
            epoch=frames.epoch,
        )
        both = concatenate([own, self.joined.take(long)])
        return both.take(np.argsort(np.argsort(rows >= n, kind="stable"), kind="stable"))


def put_together(
    frames: FrameTable, vehicle: Vehicle | None = None, told: Collection[Segmented] = ()
) -> Messages:
    """Reassemble what ``frames`` (networks as the plan names them) carry in several frames.

    J1939 transport is followed on the networks that the plan calls J1939 or gives J1939 messages;
    without a plan wherever at least one session was announced as the standard says. Messages whose
    identifier but for the priority is in the plan get its priority. ISO 15765-2 is followed under
    the identifiers ``told`` and those the plan calls segmented.
    """
    parts = [_sessions(frames, vehicle)]
    known = {one.key: one for one in _segmented(vehicle)} | {one.key: one for one in told}
    parts.append(iso15765.reassemble(frames, tuple(known.values())))
    answers = iso15765.flow_controls(frames, tuple(known.values()))
    return Messages(frames, tuple(p for p in parts if p.carriers), answers)


def _sessions(frames: FrameTable, vehicle: Vehicle | None) -> Reassembly:
    if vehicle is None:
        found = j1939.reassemble(frames)
        networks = frozenset(p.network for p in found.sessions.parties)
        likely = _announced(found)
        return found if likely == networks else j1939.reassemble(frames, likely)
    streams = [s for s in vehicle.streams if s.message.j1939 is not None]
    networks = frozenset(n.name for n in vehicle.networks.values() if n.j1939)
    priorities = {
        s.key._replace(identifier=s.key.identifier & j1939.WITHOUT_PRIORITY): s.key.identifier
        for s in streams
    }
    return j1939.reassemble(frames, networks | {s.network for s in streams}, priorities)


def _announced(found: Reassembly) -> frozenset[str]:
    """Networks on which at least one session was announced as it should be."""
    loose = (endings.UNANNOUNCED, endings.BEFORE, endings.MALFORMED)
    fine = np.unique(found.sessions.party[~np.isin(found.sessions.ending, loose)])
    return frozenset(found.sessions.parties[i].network for i in fine.tolist())


def _segmented(vehicle: Vehicle | None) -> list[Segmented]:
    """What the plan calls segmented."""
    return [
        Segmented(s.key, s.message.segmented == "extended", s.pace.flow_control)
        for s in (vehicle.streams if vehicle else ())
        if s.message.segmented is not None
    ]
