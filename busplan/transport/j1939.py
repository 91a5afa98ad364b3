"""J1939 transport sessions put together: broadcasts, connections, extended connections.

The rules of this file: frames are selected and read here, column by column; what follows what is
decided in :mod:`busplan.transport.j1939_follow`.

A message of 9 to 1785 bytes is announced by TP.CM (group 0xEC00: a broadcast for all, or a request
to one node, which answers clear to send and in the end acknowledges) and sent in packets of 7
bytes, TP.DT (0xEB00). Up to 117,440,505 bytes go by ETP.CM (0xC800), whose packet numbers start
anew after each data packet offset, and ETP.DT (0xC700). All figures: SAE J1939-21, from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from busplan.definitions.j1939 import GLOBAL_ADDRESS
from busplan.frames.columns import I64, Array
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import EXTENDED, REMOTE
from busplan.frames.table import FrameTable
from busplan.transport import j1939_follow
from busplan.transport.endings import NOTHING
from busplan.transport.j1939_follow import (
    ABORT,
    ACKNOWLEDGED,
    BROADCAST,
    CLEAR,
    DATA,
    OFFSET,
    PACKET,
    REQUEST,
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
    in_time_order,
    parts_of,
    reassembly,
    spans_of,
)

TP_CM, TP_DT, ETP_CM, ETP_DT = 0xEC00, 0xEB00, 0xC800, 0xC700
"""Parameter groups of transport."""

BROADCAST_TIMEOUT_NS = 750_000_000
"""T1: the longest pause between two packets of a broadcast."""
CONNECTION_TIMEOUT_NS = 1_250_000_000
"""T2 and T3, the longest of the time-outs of a connection (T1 750 ms, T4 1050 ms)."""

LONGEST = 1785
"""Bytes of the longest message that is not extended: 255 packets of 7."""
LONGEST_EXTENDED = 117_440_505
"""Bytes of the longest message: 2²⁴ − 1 packets of 7."""

WITHOUT_PRIORITY = 0x3FFFFFF
"""All of an identifier but its priority."""
PRIORITY = 6
"""Priority put into the identifier of a message, which its session does not carry; 6 is the usual
one of J1939 groups."""

NOTHING_KNOWN: Mapping[FrameKey, int] = MappingProxyType({})

_CONTROLS = {
    False: {16: REQUEST, 17: CLEAR, 19: ACKNOWLEDGED, 32: BROADCAST, 255: ABORT},
    True: {20: REQUEST, 21: CLEAR, 22: OFFSET, 23: ACKNOWLEDGED, 255: ABORT},
}


class _Frames(NamedTuple):
    """Transport frames as columns, by time; see :func:`j1939_follow.follow`."""

    rows: I64
    network: I64
    source: I64
    destination: I64
    extended: npt.NDArray[np.bool_]
    what: I64
    group: I64
    size: I64
    number: I64
    room: I64


def is_carrier(key: FrameKey) -> bool:
    """Whether an identifier belongs to J1939 transport."""
    group = key.identifier >> 8 & 0x3FF00
    return key.extended and group in (TP_CM, TP_DT, ETP_CM, ETP_DT)


def reassemble(
    frames: FrameTable,
    networks: Collection[str] | None = None,
    known: Mapping[FrameKey, int] = NOTHING_KNOWN,
) -> Reassembly:
    """Put the messages of all sessions together, on some networks or (``None``) on all.

    The identifier of a message has :data:`PRIORITY`, its parameter group, its source and, where
    the group has one, its destination. ``known`` gives the whole identifier of those that are in a
    plan, by what they are without priority.
    """
    keys = [
        k for k in frames.groups if is_carrier(k) and (networks is None or k.network in networks)
    ]
    seen = _read(frames, in_time_order(frames, [frames.groups[k] for k in keys]))
    pair, reverse, pairs = _pairs(seen)
    spans = spans_of(frames) if keys else {}
    limits = [spans[frames.networks[code >> 17]] for code in pairs.tolist()]
    patience = np.where(
        (pairs & 0xFF) == GLOBAL_ADDRESS, BROADCAST_TIMEOUT_NS, CONNECTION_TIMEOUT_NS
    )
    time_ns = frames.time_ns[seen.rows]
    outcome = followed(
        j1939_follow.follow,
        _compiled,
        [time_ns, seen.what, pair, reverse, seen.group, seen.size, seen.number, seen.room],
        [patience, *ends_of(limits)],
    )
    begun = outcome.begun
    size = seen.size[begun]
    start = frames.start[seen.rows] + 1
    most = np.full(len(start), PACKET)
    parts = parts_of(outcome.session, outcome.part, size, start, seen.room, PACKET, most)
    group = seen.group[begun]
    identifier = _identifier(group, seen.source[begun], seen.destination[begun])
    about = About(
        tuple(_party(frames, code) for code in pairs.tolist()),
        pair[begun],
        _protocol(seen, begun),
        group,
        size,
        _renamed(frames, seen.network[begun], identifier, known),
        np.full(len(begun), EXTENDED),
    )
    stray = outcome.session == NOTHING
    return reassembly(frames, seen.rows, outcome, parts, about, keys, stray)


def _read(frames: FrameTable, rows: I64) -> _Frames:
    """What each transport frame says."""
    rows = rows[(frames.flags[rows] & REMOTE) == 0]
    identifier = frames.identifier[rows].astype(np.int64)
    group = identifier >> 8 & 0x3FF00
    extended = (group == ETP_CM) | (group == ETP_DT)
    data = (group == TP_DT) | (group == ETP_DT)
    length = frames.length[rows].astype(np.int64)
    content = frames.payload_matrix(rows, 8)
    destination = identifier >> 8 & 0xFF

    def byte(i: int) -> I64:
        return content[:, i].astype(np.int64)

    what = np.full(len(rows), STRAY, np.int64)
    for kind, controls in _CONTROLS.items():
        for code, meaning in controls.items():
            what[(content[:, 0] == code) & (extended == kind) & (length >= 8)] = meaning
    what[data] = DATA
    announced = byte(5) | byte(6) << 8 | byte(7) << 16
    # A destination belongs to the identifier, not to the group; some senders leave it in.
    announced = np.where(announced >> 8 & 0xFF < 240, announced & ~0xFF, announced)
    size = byte(1) | byte(2) << 8
    wide = size | byte(3) << 16 | byte(4) << 24
    size = np.where(extended, wide, size)
    packets = -(-size // PACKET)
    # Fewer bytes than a frame would hold are against the standard, but no contradiction.
    fits = np.where(
        extended,
        (size > LONGEST) & (size <= LONGEST_EXTENDED),
        (size > 0) & (size <= LONGEST) & (byte(3) == packets),
    )
    fits &= (announced <= 0x3FFFF) & ((destination == GLOBAL_ADDRESS) == (what == BROADCAST))
    announces = (what == BROADCAST) | (what == REQUEST)
    what[announces & ~fits] = WRONG
    number = np.where(data, byte(0), byte(2) | byte(3) << 8 | byte(4) << 16)
    return _Frames(
        rows=rows,
        network=frames.network[rows].astype(np.int64),
        source=identifier & 0xFF,
        destination=destination,
        extended=extended,
        what=what,
        group=np.where(data, -1, announced),
        size=np.where(announces, size, 0),
        number=number,
        room=np.where(data, length - 1, 0),
    )


def _pairs(seen: _Frames) -> tuple[I64, I64, I64]:
    """Pair of each frame, the pair the other way round, and the code of every pair.

    A code is network, extended protocol (1 bit), sender and receiver of data (8 bits each).
    """
    answers = (seen.what == CLEAR) | (seen.what == ACKNOWLEDGED)
    sender = np.where(answers, seen.destination, seen.source)
    receiver = np.where(answers, seen.source, seen.destination)
    lead = (seen.network << 1 | seen.extended) << 16
    codes, pair = np.unique(lead | sender << 8 | receiver, return_inverse=True)
    turned = lead | receiver << 8 | sender
    at = np.minimum(np.searchsorted(codes, turned), max(len(codes) - 1, 0))
    found = codes[at] == turned if len(codes) else np.zeros(0, np.bool_)
    reverse = np.where(found & (at != pair) & (seen.what == ABORT), at, -1)
    return pair.astype(np.int64), reverse.astype(np.int64), codes


def _compiled() -> Callable[..., int]:
    from busplan.transport.compiled_followers import follow_j1939

    return follow_j1939


def _party(frames: FrameTable, code: int) -> Party:
    sender, receiver = code >> 8 & 0xFF, code & 0xFF
    to = "all" if receiver == GLOBAL_ADDRESS else f"0x{receiver:02X}"
    return Party(frames.networks[code >> 17], f"0x{sender:02X} to {to}")


def _identifier(group: I64, source: I64, destination: I64) -> I64:
    """Identifiers of messages; without a group that of the packets' own addresses."""
    addressed = np.where(group >> 8 & 0xFF < 240, group | destination, group)
    return np.where(group < 0, 0, PRIORITY << 26 | addressed << 8 | source)


def _renamed(
    frames: FrameTable, network: I64, identifier: I64, known: Mapping[FrameKey, int]
) -> I64:
    """Identifiers as a plan has them."""
    if not known:
        return identifier
    pairs, place = np.unique(network << 32 | identifier, return_inverse=True)
    names = [
        known.get(
            FrameKey(frames.networks[pair >> 32], True, pair & WITHOUT_PRIORITY),
            pair & 0xFFFFFFFF,
        )
        for pair in pairs.tolist()
    ]
    return np.array(names, np.int64)[place] if names else identifier


def _protocol(seen: _Frames, begun: I64) -> Array:
    broadcast = seen.destination[begun] == GLOBAL_ADDRESS
    connection = np.where(seen.extended[begun], Protocol.EXTENDED_CONNECTION, Protocol.CONNECTION)
    return np.where(broadcast, Protocol.BROADCAST, connection)
