"""Transport sessions as columns, and the messages they carried as a frame table.

The rules of this file: a session is told whatever became of it; only the messages of complete ones
are handed on. A message has the time of its last packet, its payload may be longer than any frame,
and its ``length`` column is uint32, which the column of recorded frames never is.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import I64, Array, Group
from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable
from busplan.transport.endings import AGAIN, CHANGED, COMPLETE, NOTHING

COMPILED_FROM = 5_000
"""Frames from which a compiled follower pays for loading the compiler."""

_AT_ONCE = 4_000_000
"""Bytes copied at once."""


class Protocol(IntEnum):
    """How a message was split."""

    BROADCAST = 0
    CONNECTION = 1
    EXTENDED_CONNECTION = 2
    ISO15765 = 3

    @property
    def words(self) -> str:
        """What its sessions are called."""
        return (
            "J1939 broadcast",
            "J1939 connection",
            "J1939 extended connection",
            "ISO 15765-2 message",
        )[self.value]


class Party(NamedTuple):
    """Who talks to whom: ``label`` is ``0xE5 to all``, ``0xE5 to 0x56``, ``0x7E8``."""

    network: str
    label: str


@dataclass(frozen=True, eq=False)
class Sessions:
    """Sessions of one kind of transport in order of their beginning; shape ``(n,)``.

    ``party`` is an index into ``parties``; ``group`` the parameter group announced, −1 when none
    was; ``ending`` one of :mod:`busplan.transport.endings`; ``begun_ns`` and ``final_ns`` the
    times of the first frame and of the last part; ``frames`` counts all frames, ``repeats`` those
    that came again, and ``unanswered`` marks complete connections that nobody acknowledged.
    """

    parties: tuple[Party, ...]
    protocol: Array
    party: I64
    group: I64
    size: I64
    ending: Array
    begun_ns: I64
    final_ns: I64
    frames: I64
    repeats: I64
    unanswered: Array

    def __len__(self) -> int:
        return len(self.ending)


@dataclass(frozen=True, eq=False)
class Reassembly:
    """What one kind of transport carried.

    ``messages`` holds the complete messages, by time within each of its groups; ``carriers`` are
    the identifiers whose frames carry parts only; ``stray_ns`` the times of frames about sessions
    that were not seen, by network.
    """

    messages: FrameTable
    sessions: Sessions
    carriers: frozenset[FrameKey]
    stray_ns: dict[str, I64]


class Parts(NamedTuple):
    """Frames of sessions: where they lie in a payload buffer and what they were taken for.

    One entry a frame: ``session`` and ``part`` as the followers write them, ``at`` the byte of the
    message it starts at, ``start`` its first message byte in the buffer, ``take`` the number of
    message bytes it holds (as many as the message has left there).
    """

    session: I64
    at: I64
    again: npt.NDArray[np.bool_]
    start: I64
    take: I64


class Outcome(NamedTuple):
    """What a follower says, see :mod:`busplan.transport.j1939_follow`.

    One entry a frame: its ``session`` and ``part``. One entry a session: ``ending``, the frame it
    has ``begun`` with, its ``final`` part, ``repeats``, ``unanswered``.
    """

    session: I64
    part: I64
    ending: I64
    begun: I64
    final: I64
    repeats: I64
    unanswered: I64


def parts_of(
    session: I64, part: I64, size: I64, start: I64, room: I64, unit: int, most: I64
) -> Parts:
    """Message bytes of every frame that carries some; ``unit`` bytes are one step of ``part``.

    ``most`` message bytes of a frame count, by frame; ``size`` [byte] is one entry a session.
    """
    rows = np.flatnonzero(part != NOTHING)
    value = part[rows]
    again = value < NOTHING
    at = np.where(again, AGAIN - value, value) * unit
    left = size[session[rows]] - at
    return Parts(
        session[rows],
        at,
        again,
        start[rows],
        np.maximum(np.minimum(np.minimum(left, most[rows]), room[rows]), 0),
    )


def copied(parts: Parts, payload: Array, size: I64, ending: Array) -> tuple[Array, I64]:
    """Payloads of the complete sessions, end to end, and where each begins (−1: not complete).

    A session in which a repeated part has other contents is set to ``CHANGED`` in ``ending``.
    """
    wanted = ending == COMPLETE
    length = np.where(wanted, size, 0)
    begin = np.cumsum(length) - length
    out = np.zeros(int(length.sum()), np.uint8)
    mine = np.flatnonzero(wanted[parts.session])
    kept = mine[~parts.again[mine]]
    for chunk in _chunks(parts.take[kept]):
        rows = kept[chunk]
        source, target = _bytes(parts, rows, begin)
        out[target] = payload[source]
    kept = mine[parts.again[mine]]
    for chunk in _chunks(parts.take[kept]):
        rows = kept[chunk]
        source, target = _bytes(parts, rows, begin)
        differs = out[target] != payload[source]
        if differs.any():
            owner = np.repeat(parts.session[rows], parts.take[rows])
            ending[np.unique(owner[differs])] = CHANGED
    return out, np.where(ending == COMPLETE, begin, -1)


def _chunks(sizes: I64) -> list[slice]:
    """Runs of about ``_AT_ONCE`` bytes."""
    total = np.cumsum(sizes)
    if not len(total):
        return []
    cuts = np.searchsorted(total, np.arange(_AT_ONCE, int(total[-1]), _AT_ONCE)) + 1
    edges = [0, *np.unique(cuts).tolist(), len(sizes)]
    return [slice(a, b) for a, b in pairwise(edges) if a < b]


def _bytes(parts: Parts, rows: I64, begin: I64) -> tuple[I64, I64]:
    """For every byte of some frames: where it lies, and where in the messages it belongs."""
    take = parts.take[rows]
    within = np.arange(int(take.sum())) - np.repeat(np.cumsum(take) - take, take)
    source = np.repeat(parts.start[rows], take) + within
    target = np.repeat(begin[parts.session[rows]] + parts.at[rows], take) + within
    return source, target


def message_table(
    frames: FrameTable,
    *,
    network: Array,
    identifier: Array,
    flags: Array,
    time_ns: I64,
    length: I64,
    start: I64,
    payload: Array,
) -> FrameTable:
    """Messages as a frame table, with its groups made; entries with ``start`` −1 are left out."""
    keep = np.flatnonzero(start >= 0)
    order = keep[np.argsort(time_ns[keep], kind="stable")]
    extended = (flags & 1).astype(np.int64)
    code = (network.astype(np.int64) << 1 | extended) << 32 | identifier.astype(np.int64)
    code = code[order]
    groups = []
    by_code = np.argsort(code, kind="stable")
    edges = np.flatnonzero(np.diff(code[by_code])) + 1
    for rows in np.split(by_code, edges) if len(code) else ():
        one = int(code[rows[0]])
        groups.append(Group(one >> 33, bool(one >> 32 & 1), one & 0xFFFFFFFF, rows))
    return FrameTable(
        networks=frames.networks,
        time_ns=time_ns[order],
        network=network[order].astype(np.uint16),
        identifier=identifier[order].astype(np.uint32),
        flags=flags[order].astype(np.uint8),
        length=length[order].astype(np.uint32),
        start=start[order],
        payload=payload,
        epoch=frames.epoch,
        index=tuple(groups),
        bounds=frames.believable,
    )


def spans_of(frames: FrameTable) -> dict[str, tuple[int, int]]:
    """First and last believable moment of every network that has frames."""
    low, high = frames.believable
    found: dict[str, tuple[int, int]] = {}
    for key, rows in frames.groups.items():
        times = frames.time_ns[rows[[0, -1]]]
        first, last = max(int(times[0]), low), min(int(times[1]), high)
        before = found.get(key.network, (first, last))
        found[key.network] = min(first, before[0]), max(last, before[1])
    return found


def in_time_order(frames: FrameTable, runs: Sequence[I64]) -> I64:
    """Rows of several identifiers by time; equal times keep the order of the file."""
    rows = np.concatenate(runs) if runs else np.empty(0, np.int64)
    return rows[np.lexsort((rows, frames.time_ns[rows]))]


def ends_of(spans: Sequence[tuple[int, int]]) -> tuple[I64, I64]:
    """Beginnings and ends as two columns."""
    both = np.array(spans, np.int64).reshape(-1, 2)
    return both[:, 0].copy(), both[:, 1].copy()


def followed(
    plain: Callable[..., int],
    compiled: Callable[[], Callable[..., int]],
    columns: Sequence[I64],
    limits: Sequence[I64],
) -> Outcome:
    """Run a follower over columns, as it stands or, for many frames, as ``compiled`` gives it."""
    n = len(columns[0])
    results = [np.full(n, NOTHING, np.int64) for _ in range(2)]
    results += [np.zeros(n, np.int64) for _ in range(5)]
    if n >= COMPILED_FROM:
        wide = (np.ascontiguousarray(c, np.int64) for c in (*columns, *limits))
        count = int(compiled()(*wide, *results))
    else:
        lists = [r.tolist() for r in results]
        count = plain(*(c.tolist() for c in (*columns, *limits)), *lists)
        results = [np.array(values, np.int64) for values in lists]
    return Outcome(*results[:2], *(column[:count] for column in results[2:]))


class About(NamedTuple):
    """What a protocol knows of its sessions; one entry a session, ``parties`` apart."""

    parties: tuple[Party, ...]
    party: I64
    protocol: Array
    group: I64
    size: I64
    identifier: I64
    flags: Array


def reassembly(
    frames: FrameTable,
    rows: I64,
    outcome: Outcome,
    parts: Parts,
    about: About,
    carriers: Collection[FrameKey],
    stray: Array,
) -> Reassembly:
    """Everything a protocol found in the frames ``rows``; ``stray`` marks those of no session."""
    times, count = frames.time_ns[rows], len(outcome.ending)
    payload, start = copied(parts, frames.payload, about.size, outcome.ending)
    begun_ns, final_ns = times[outcome.begun], times[outcome.final]
    belonging = outcome.session[outcome.session >= 0]
    sessions = Sessions(
        parties=about.parties,
        protocol=about.protocol,
        party=about.party,
        group=about.group,
        size=about.size,
        ending=outcome.ending,
        begun_ns=begun_ns,
        final_ns=final_ns,
        frames=np.bincount(belonging, minlength=count),
        repeats=outcome.repeats,
        unanswered=outcome.unanswered.astype(np.bool_),
    )
    network = frames.network[rows]
    messages = message_table(
        frames,
        network=network[outcome.begun],
        identifier=about.identifier,
        flags=about.flags,
        time_ns=final_ns,
        length=about.size,
        start=start,
        payload=payload,
    )
    stray_ns = {
        frames.networks[i]: times[stray & (network == i)]
        for i in np.unique(network[stray]).tolist()
    }
    return Reassembly(messages, sessions, frozenset(carriers), stray_ns)
