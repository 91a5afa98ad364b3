"""J1939's own groups of a node on the bench: its claim, its faults, what it says it is.

The rules of this file: pure. These messages need no definition and are judged by the standard's own
rules; those of claims stand in ``claims``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from busplan.bench.claims import asked_claims, claimed_late, contested
from busplan.decode.j1939_groups import (
    ACTIVE_FAULTS,
    ADDRESS_CLAIMED,
    EARLIER_FAULTS,
    OWN_GROUPS,
    identification,
    parse_faults,
    parse_name,
)
from busplan.definitions.j1939 import NULL_ADDRESS, split_identifier
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import counted, listing

MOST_TOLD = 5
"""So many faults of a fault message are named; the others are counted."""


class Told(NamedTuple):
    """Something a node says of itself, such as its software, and when [ns]."""

    name: str
    text: str
    time_ns: int


@dataclass(frozen=True, eq=False)
class Protocol:
    """The protocol's own messages among what was heard.

    ``keys`` are identifiers that need no definition, of whatever node; ``others`` the source
    addresses of other nodes that sent such messages.
    """

    keys: frozenset[FrameKey] = frozenset()
    told: tuple[Told, ...] = ()
    findings: tuple[Finding, ...] = ()
    others: tuple[int, ...] = ()


def own_groups(
    heard: FrameTable, everything: FrameTable, own: list[Stream], span: tuple[int, int]
) -> Protocol:
    """What the node's own J1939 groups say, when its messages follow J1939.

    ``heard`` holds what others than busplan sent, put together; ``everything`` what busplan sent
    too, so that a claim on request is known as one. ``span`` is when the test began, and when the
    recording did [ns].
    """
    placed = [s for s in own if s.message.j1939 is not None]
    if not placed:
        return Protocol()
    where = Where(placed[0].network, placed[0].node)
    address = split_identifier(placed[0].message.identifier).source
    groups: dict[int, list[I64]] = {}
    keys, others = set(), set()
    for key, rows in heard.groups.items():
        fields = split_identifier(key.identifier) if key.extended else None
        if fields is None or fields.pgn not in OWN_GROUPS:
            continue
        keys.add(key)
        if fields.source in (address, NULL_ADDRESS):
            groups.setdefault(fields.pgn, []).append(rows)
        else:
            others.add(fields.source)
    told: list[Told] = []
    findings: list[Finding] = []
    for pgn, parts in groups.items():
        rows = np.sort(np.concatenate(parts))
        if pgn == ADDRESS_CLAIMED:
            findings += contested(heard, rows, address, where, span[0])
            findings += claimed_late(
                heard, rows, address, own, asked_claims(everything), where, span
            )
            told += _names(heard, rows, address)
        elif pgn in (ACTIVE_FAULTS, EARLIER_FAULTS):
            findings += _faults(heard, rows, pgn, where, span[0])
        else:
            told += _identity(heard, rows, pgn)
    for t in told:
        at = Where(where.network, where.node, time_ns=t.time_ns - span[0])
        findings.append(identified(at, t.name, t.text))
    return Protocol(frozenset(keys), tuple(told), tuple(findings), tuple(sorted(others)))


def identified(where: Where, name: str, text: str) -> Finding:
    """That the node says what it is."""
    return Finding("node-identified", Weight.NOTE, where, f"it says of itself: {name}: {text}")


def _names(table: FrameTable, rows: I64, address: int) -> Iterator[Told]:
    """Every different NAME under which the node's address was claimed."""
    seen = set()
    for row in map(int, rows):
        data = table.bytes_of(row)
        name = parse_name(data)
        if name is not None and data not in seen and int(table.identifier[row]) & 0xFF == address:
            seen.add(data)
            yield Told("NAME", name.words, int(table.time_ns[row]))


def _faults(
    table: FrameTable, rows: I64, pgn: int, where: Where, origin_ns: int
) -> Iterator[Finding]:
    """What the node's own fault messages tell; active faults are cautions."""
    active = pgn == ACTIVE_FAULTS
    troubles: dict[str, int] = {}
    lamps: dict[str, None] = {}
    short = 0
    filled: list[int] = []
    for row in map(int, rows):
        message = parse_faults(table.bytes_of(row))
        if message is None:
            short += 1
            continue
        lamps.update(dict.fromkeys(message.lamps))
        if message.filled:
            filled.append(row)
        for trouble in message.troubles:
            troubles.setdefault(f"SPN {trouble.spn} FMI {trouble.fmi}", row)
    name = OWN_GROUPS[pgn]
    if short:
        yield Finding(
            "fault-message-short",
            Weight.CAUTION,
            where,
            f"{counted(short, 'frame')} of {name} have fewer than 6 bytes",
            why="Lamps take two bytes and a fault four; what is missing cannot be read.",
            action="Ask the maker which edition of SAE J1939-73 it follows.",
            figures=(Figure("frames", short),),
        )
    if filled:
        yield Finding(
            "fault-message-filled",
            Weight.NOTE,
            Where(where.network, where.node, time_ns=int(table.time_ns[filled[0]]) - origin_ns),
            f'{len(filled)} of {counted(len(rows), "frame")} of {name} are filled with "not '
            'available": SPN and FMI are all ones',
            why="A node without a fault says so with zeros; ones say that it does not tell.",
            action="Ask the maker whether it watches for faults at all.",
            figures=(Figure("frames", len(filled)), Figure("of", len(rows))),
        )
    if not troubles and not lamps:
        return
    told = listing(troubles, MOST_TOLD) or "no fault named"
    lit = f"; lamps on: {', '.join(lamps)}" if lamps else ""
    first = min(troubles.values()) if troubles else int(rows[0])
    yield Finding(
        "fault-told" if active else "earlier-fault-told",
        Weight.CAUTION if active else Weight.NOTE,
        Where(where.network, where.node, time_ns=int(table.time_ns[first]) - origin_ns),
        f"{name}: {told}{lit}",
        why="The node itself says that something of it or around it is wrong."
        if active
        else "It remembers faults that are no longer there.",
        action="Look the numbers up in its manual; a bench that lacks sensors and loads causes "
        "some of them.",
        figures=(Figure("faults", len(troubles)),),
    )


def _identity(table: FrameTable, rows: I64, pgn: int) -> Iterator[Told]:
    seen = set()
    for row in map(int, rows):
        data = table.bytes_of(row)
        if data in seen:
            continue
        seen.add(data)
        for name, text in identification(pgn, data):
            yield Told(name, text, int(table.time_ns[row]))


def told_by_protocol(table: FrameTable) -> tuple[Told, ...]:
    """What J1939's identification messages in ``table`` say, whoever sends them."""
    told: list[Told] = []
    for key, rows in table.groups.items():
        if not key.extended:
            continue
        fields = split_identifier(key.identifier)
        if fields.pgn == ADDRESS_CLAIMED:
            told += _names(table, rows, fields.source)
        elif fields.pgn in OWN_GROUPS:
            told += _identity(table, rows, fields.pgn)
    return tuple(told)
