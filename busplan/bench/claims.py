"""Claims of J1939 addresses on the bench: whose, and when.

The rules of this file: pure. A node claims its address before it sends anything else, at each start
(SAE J1939-81, from memory). Only a start that was seen is judged: a node that was on before, or was
unplugged and counted on, owes no claim.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from busplan.bench.rhythm import Pause
from busplan.decode.j1939_groups import ADDRESS_CLAIMED, REQUEST
from busplan.definitions.j1939 import NULL_ADDRESS, split_identifier
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import counted, listing, plain

START_PAUSE_NS = 250_000_000
"""A pause this long before the first message is a start (J1939-81 has a node wait so long)."""
ANSWER_NS = 1_250_000_000
"""A claim so soon after a request for claims is an answer (SAE J1939-21, from memory)."""
MOST_MOMENTS = 5
"""So many starts without a claim are named; the others are counted."""


class Starts(NamedTuple):
    """The node's starts that were seen, as the silences [ns] that ended with them.

    ``first`` is that after its first power-on. ``apart`` is where frames may be missing; ``whole``
    whether the recording is known to leave nothing else out.
    """

    first: Pause | None
    again: Sequence[Pause]
    apart: Sequence[Pause]
    whole: bool


def not_claimed_again(
    table: FrameTable,
    own: Sequence[Stream],
    starts: Starts,
    told: Sequence[Finding],
    where: Where,
    origin_ns: int,
) -> list[Finding]:
    """Starts after which the node's messages came before a claim of its address.

    ``told`` is what :func:`claimed_late` has told. A recording that is not known to be whole and
    holds nobody's claim may have been made without them, so that it is a note.
    """
    placed = [s for s in own if s.message.j1939 is not None]
    if not placed:
        return []
    address = split_identifier(placed[0].message.identifier).source
    heard = {
        split_identifier(key.identifier).source: table.time_ns[rows]
        for key, rows in table.groups.items()
        if key.extended and split_identifier(key.identifier).pgn == ADDRESS_CLAIMED
    }
    claims = heard.get(address, np.empty(0, np.int64))
    late = {f.where.time_ns for f in told if f.code == "claim-late"}
    # Its first claim of all, when it came before it started again, is judged by claimed_late.
    until = min((p.from_ns for p in starts.again), default=None)
    claimed = bool(len(claims)) and (until is None or int(claims[0]) <= until)
    first = () if starts.first is None or claimed else (starts.first,)
    judged = [
        p
        for p in sorted([*first, *starts.again])
        if not any(p.from_ns <= a.to_ns and p.to_ns >= a.from_ns for a in starts.apart)
        and p.to_ns - origin_ns not in late
    ]
    next_claim = np.searchsorted(claims, [p.from_ns for p in judged], side="right").tolist()
    missed: list[tuple[Pause, int | None]] = []
    for number, (pause, place) in enumerate(zip(judged, next_claim, strict=True)):
        ends = judged[number + 1].from_ns if number + 1 < len(judged) else None
        came = int(claims[place]) if place < len(claims) else None
        if came is not None and ends is not None and came > ends:
            came = None
        if came is None or came > pause.to_ns:
            missed.append((pause, came))
    if not missed:
        return []
    moments = listing([f"{(p.to_ns - origin_ns) / 1e9:.1f} s" for p, _ in missed], MOST_MOMENTS)
    by = [came - p.to_ns for p, came in missed if came is not None]
    after = f", which came {plain(max(by) / 1e6)} ms later" if by else ""
    sure = starts.whole or bool(heard)
    return [
        Finding(
            "claim-not-again",
            Weight.CAUTION if sure else Weight.NOTE,
            Where(where.network, where.node, time_ns=missed[0][0].to_ns - origin_ns),
            f"after {len(missed)} of {counted(len(judged), 'start')}, at {moments}, it sent before "
            f"a claim of its address was heard{after}"
            + ("" if sure else "; nobody's claim is in this recording, which may leave them out"),
            why="Meanwhile another node may have taken the address, so receivers may ignore it.",
            action="Ask the maker: SAE J1939-81 has a node claim its address at each start.",
            figures=(Figure("starts", len(judged)), Figure("without a claim", len(missed))),
        )
    ]


def asked_claims(table: FrameTable) -> I64:
    """When anybody asked for address claims [ns]."""
    times = [
        table.time_ns[row]
        for key, rows in table.groups.items()
        if key.extended and split_identifier(key.identifier).pgn == REQUEST
        for row in rows
        if table.bytes_of(int(row))[:3] == ADDRESS_CLAIMED.to_bytes(3, "little")
    ]
    return np.array(sorted(times), np.int64)


def _source(table: FrameTable, row: int) -> int:
    return int(table.identifier[row]) & 0xFF


def contested(
    table: FrameTable, rows: I64, address: int, where: Where, origin_ns: int
) -> Iterator[Finding]:
    """Different NAMEs at the node's address, and nodes that found none."""
    mine = [int(r) for r in rows if _source(table, int(r)) == address]
    names = {table.bytes_of(r) for r in mine}
    if len(names) > 1:
        at = next(r for r in mine if table.bytes_of(r) != table.bytes_of(mine[0]))
        yield Finding(
            "address-contested",
            Weight.FAULT,
            Where(where.network, where.node, time_ns=int(table.time_ns[at]) - origin_ns),
            f"{len(names)} nodes claim address {address} (0x{address:02X}): their NAMEs differ",
            why="One of them has to give the address up; until then their frames mix.",
            action="Unplug everything else from the bench, or give one of them another address.",
            figures=(Figure("names", len(names)),),
        )
    lost = [int(r) for r in rows if _source(table, int(r)) == NULL_ADDRESS]
    if lost:
        yield Finding(
            "address-not-claimed",
            Weight.FAULT,
            Where(where.network, where.node, time_ns=int(table.time_ns[lost[0]]) - origin_ns),
            f"a node says that it cannot claim an address ({counted(len(lost), 'time')})",
            why="A node without an address sends nothing else.",
            action="Look who else has its address, or let it choose another.",
            figures=(Figure("frames", len(lost)),),
        )


def claimed_late(
    table: FrameTable,
    rows: I64,
    address: int,
    own: list[Stream],
    asked: I64,
    where: Where,
    span: tuple[int, int],
) -> Iterator[Finding]:
    """A claim that comes after the node's first message, when its start was seen."""
    mine = rows[(table.identifier[rows] & 0xFF) == address]
    if not len(mine):
        return
    claim = int(table.time_ns[mine[0]])
    last = int(np.searchsorted(asked, claim, side="right")) - 1
    if last >= 0 and claim - int(asked[last]) <= ANSWER_NS:
        return
    times = np.sort(np.concatenate([table.time_ns[table.rows_of(s.key)] for s in own]))
    before = times[times < claim]
    pauses = np.diff(np.concatenate(([span[1]], before)))
    begun = np.flatnonzero(pauses >= START_PAUSE_NS)
    if not len(begun):
        return
    early = len(before) - int(begun[-1])
    since = claim - int(before[begun[-1]])
    if claim - int(before[-1]) >= START_PAUSE_NS:
        return  # it fell silent before: this is another start
    yield Finding(
        "claim-late",
        Weight.CAUTION,
        Where(where.network, where.node, time_ns=int(before[begun[-1]]) - span[0]),
        f"{counted(early, 'frame')} came before it claimed its address, "
        f"{plain(since / 1e6)} ms before",
        why="Until the claim the address may be another node's, so receivers may ignore them.",
        action="Ask the maker: SAE J1939-81 has a node claim its address first.",
        figures=(Figure("frames", early), Figure("early", since / 1e6, "ms")),
    )
