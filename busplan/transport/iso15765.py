"""Segmented messages of ISO 15765-2 put together.

The rules of this file: identifiers do not tell that a message is segmented, so somebody has to;
frames are read here, column by column; what follows what is decided in
:mod:`busplan.transport.iso15765_follow`.

The protocol byte, first in a frame or after one address byte (extended and mixed addressing), says
what a frame is: 0 a single frame with its length, 1 a first frame with the length of the whole, 2
a consecutive frame with a sequence number from 1 to 15 and 0 again, 3 flow control from the
receiver. CAN FD frames over 8 bytes put the length of a single frame into the next byte; a length
of 4096 and more follows a zero as 32 bits. Frames may be padded. All figures: ISO 15765-2, from
memory.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from busplan.frames.columns import I64, Array
from busplan.frames.identifier import FrameKey, format_identifier
from busplan.frames.kinds import REMOTE
from busplan.frames.table import FrameTable
from busplan.transport import iso15765_follow
from busplan.transport.endings import NOTHING
from busplan.transport.iso15765_follow import (
    FIRST,
    FLOW,
    NEXT,
    OVERFLOW,
    SINGLE,
    STRAY,
    WRONG,
)
from busplan.transport.sessions import (
    About,
    Party,
    Protocol,
    Reassembly,
    ends_of,
    followed,
    parts_of,
    reassembly,
    spans_of,
)

TIMEOUT_NS = 1_000_000_000
"""N_Bs and N_Cr: the longest wait for flow control and for the next consecutive frame."""

_REST_OF_LONG_HEADER = 6
"""Protocol bytes of a first frame with a 32-bit length."""


@dataclass(frozen=True, slots=True)
class Segmented:
    """An identifier whose frames are known to follow ISO 15765-2.

    ``addressed`` says that an address byte stands before the protocol byte. ``partner`` is the
    identifier under which the receiver sends its flow control, ``None`` when nobody says.
    """

    key: FrameKey
    addressed: bool = False
    partner: int | None = None

    @property
    def answers(self) -> FrameKey | None:
        """Where the flow control for it comes from: as told, else by ISO 15765-4."""
        partner = partner_of(self.key) if self.partner is None else self.partner
        return None if partner is None else self.key._replace(identifier=partner)


def partner_of(key: FrameKey) -> int | None:
    """The identifier that answers another one by ISO 15765-4; ``None`` for any other identifier.

    7E0 to 7E7 and 7E8 to 7EF answer each other; so do 18DAxxyy and 18DAyyxx.
    """
    if not key.extended:
        return key.identifier ^ 8 if 0x7E0 <= key.identifier <= 0x7EF else None
    if key.identifier >> 16 != 0x18DA:
        return None
    return 0x18DA0000 | (key.identifier & 0xFF) << 8 | key.identifier >> 8 & 0xFF


class _Frames(NamedTuple):
    """Frames as columns, by time; see :func:`iso15765_follow.follow`. ``skip`` [byte] is how far
    the message bytes are from the frame's beginning."""

    rows: I64
    stream: I64
    what: I64
    size: I64
    number: I64
    skip: I64
    room: I64
    step: I64
    same: I64


def reassemble(frames: FrameTable, told: Collection[Segmented]) -> Reassembly:
    """Put the messages of the identifiers ``told`` together; their identifiers stay."""
    told = [one for one in dict.fromkeys(told) if one.key in frames.groups]
    streams, seen = _read(frames, told)
    spans = spans_of(frames) if told else {}
    limits = [spans[one.key.network] for one, _ in streams]
    time_ns = frames.time_ns[seen.rows]
    outcome = followed(
        iso15765_follow.follow,
        _compiled,
        [time_ns, seen.what, seen.stream, seen.size, seen.number, seen.room, seen.step, seen.same],
        [np.full(len(streams), TIMEOUT_NS), *ends_of(limits)],
    )
    session, begun = outcome.session, outcome.begun
    size = seen.size[begun]
    start = frames.start[seen.rows] + seen.skip
    most = np.where(seen.what == NEXT, _steps(seen, session, begun), seen.room)
    parts = parts_of(session, outcome.part, size, start, seen.room, 1, most)
    first_rows = seen.rows[begun]
    about = About(
        tuple(_party(one, address) for one, address in streams),
        seen.stream[begun],
        np.full(len(begun), Protocol.ISO15765),
        np.full(len(begun), -1),
        size,
        frames.identifier[first_rows].astype(np.int64),
        frames.flags[first_rows],
    )
    stray = (session == NOTHING) & (seen.what == STRAY)
    carriers = [one.key for one in told]
    return reassembly(frames, seen.rows, outcome, parts, about, carriers, stray)


def flow_controls(frames: FrameTable, told: Collection[Segmented]) -> frozenset[FrameKey]:
    """Identifiers whose frames are nothing but flow control for identifiers ``told``."""
    found = set()
    for one in told:
        answers = one.answers
        rows = frames.groups.get(answers) if answers and one.key in frames.groups else None
        if answers is None or rows is None:
            continue
        what = _columns(frames, rows, one.addressed).what
        if bool(((what == FLOW) | (what == OVERFLOW)).all()):
            found.add(answers)
    return frozenset(found)


def _steps(seen: _Frames, session: I64, begun: I64) -> I64:
    """For each frame the message bytes that a consecutive frame of its session holds."""
    if not len(begun):
        return np.zeros(len(session), np.int64)
    return seen.step[begun[np.maximum(session, 0)]]


def _compiled() -> Callable[..., int]:
    from busplan.transport.compiled_followers import follow_iso15765

    return follow_iso15765


def _party(one: Segmented, address: int) -> Party:
    label = format_identifier(one.key.identifier, one.key.extended)
    return Party(one.key.network, label if address < 0 else f"{label} to 0x{address:02X}")


def _read(
    frames: FrameTable, told: Iterable[Segmented]
) -> tuple[list[tuple[Segmented, int]], _Frames]:
    """The streams, each with its address byte (−1: none), and all their frames by time."""
    streams: list[tuple[Segmented, int]] = []
    pieces: list[_Frames] = []
    for one in told:
        rows = frames.groups[one.key]
        rows = rows[(frames.flags[rows] & REMOTE) == 0]
        answers = one.answers
        back = frames.groups.get(answers, rows[:0]) if answers else rows[:0]
        back = back[(frames.flags[back] & REMOTE) == 0]
        forth, control = (
            _columns(frames, rows, one.addressed),
            _columns(frames, back, one.addressed),
        )
        # Flow control under the identifier itself is about messages of its partner.
        forth = _pick(forth, (forth.what != FLOW) & (forth.what != OVERFLOW))
        control = _pick(control, (control.what == FLOW) | (control.what == OVERFLOW))
        for address in np.unique(forth.stream).tolist():
            mine = _pick(forth, forth.stream == address)
            number = np.full(len(mine.rows), len(streams))
            pieces.append(mine._replace(stream=number, same=_same(frames, mine.rows)))
            pieces.append(control._replace(stream=np.full(len(control.rows), len(streams))))
            streams.append((one, address))
    if not pieces:
        return [], _columns(frames, np.empty(0, np.int64), False)
    joined = _Frames(*(np.concatenate(columns) for columns in zip(*pieces, strict=True)))
    order = np.lexsort((joined.rows, frames.time_ns[joined.rows]))
    return streams, _pick(joined, order)


def _pick(seen: _Frames, which: Array) -> _Frames:
    return _Frames(*(column[which] for column in seen))


def _columns(frames: FrameTable, rows: I64, addressed: bool) -> _Frames:
    """What each frame says; ``stream`` is its address byte, −1 without one.

    A frame of 0 bytes holds no address: it is a stray of no receiver, and a stream of its own.
    """
    lead = int(addressed)
    length = frames.length[rows].astype(np.int64)
    content = frames.payload_matrix(rows, 8)
    address = np.where(addressed & (length > 0), content[:, 0].astype(np.int64), -1)
    b = [content[:, lead + i].astype(np.int64) for i in range(6)]
    kind, low = b[0] >> 4, b[0] & 15
    there = length > lead
    # Single frames: 4 bits of length, or in a frame over 8 bytes a zero and 8 bits.
    escaped = length > 8
    single = np.where(escaped, b[1], low)
    head = np.where(escaped, 2, 1) + lead
    single_fits = (single > 0) & (single <= length - head) & (~escaped | (low == 0))
    # First frames: 12 bits of length, or a zero and 32 bits where more is needed.
    short = low << 8 | b[1]
    long = b[2] << 24 | b[3] << 16 | b[4] << 8 | b[5]
    first = np.where(short == 0, long, short)
    first_head = np.where(short == 0, _REST_OF_LONG_HEADER, 2) + lead
    alone = length - np.where(length > 8, 2, 1) - lead
    first_fits = (length >= 8) & (first > alone) & ((short > 0) | (long > 4095))
    what = np.full(len(rows), STRAY, np.int64)
    what[there & (kind == 0)] = WRONG
    what[there & (kind == 0) & single_fits] = SINGLE
    what[there & (kind == 1)] = WRONG
    what[there & (kind == 1) & first_fits] = FIRST
    what[there & (kind == 2)] = NEXT
    what[there & (kind == 3) & (low < 2)] = FLOW
    what[there & (kind == 3) & (low == 2)] = OVERFLOW
    skip = np.where(what == SINGLE, head, np.where(what == FIRST, first_head, 1 + lead))
    size = np.where(what == SINGLE, single, np.where(what == FIRST, first, 0))
    room = np.maximum(length - skip, 0)
    return _Frames(
        rows=rows,
        stream=address,
        what=what,
        size=size,
        number=low,
        skip=skip,
        room=np.where(what == SINGLE, np.minimum(room, size), room),
        step=length - 1 - lead,
        same=np.zeros(len(rows), np.int64),
    )


def _same(frames: FrameTable, rows: I64) -> I64:
    """1 where a frame carries the very same bytes as the one before it, else 0."""
    same = np.zeros(len(rows), np.int64)
    if not len(rows):
        return same
    length = frames.length[rows]
    same[1:] = length[1:] == length[:-1]
    step = 1 << 16
    for low in range(1, len(rows), step):
        part = rows[low - 1 : low + step]
        content = frames.payload_matrix(part, int(length[low - 1 : low + step].max()))
        same[low : low + step] &= (content[1:] == content[:-1]).all(axis=1)
    return same
