"""Messages that come under each other's identifiers: what is wrong as defined fits when exchanged.

The rules of this file: pure. Two messages or a ring of more, each under the identifier of the
next. All of them have to be right under the exchanged identifiers. Of two, one has to be wrong as
defined, and by more than the range of one value: its length, rate, counter or checksum, or the
other one is wrong, too. Of a ring every one has to be. Where several exchanges fit, none is told.
Common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import combinations, permutations
from typing import NamedTuple

import numpy as np

from busplan.bench.message import prove_message
from busplan.bench.node_report import BenchLimits, MessageProof
from busplan.bench.rhythm import Listened
from busplan.definitions.j1939 import split_identifier
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.traffic.cycles import measured_cycle
from busplan.wording import listing

RATE = 0.2
"""A rate within this share of the stated one speaks for an identifier."""
MOST_PAIRS = 200_000
"""Pairs of messages, or of messages and identifiers, that are looked at."""
MOST_JUDGED = 60
"""So many messages are judged under other identifiers at most: a second or two."""
LONGEST_RING = 6
"""Rings of more messages are another definition rather than exchanged identifiers."""
PLAIN = {
    "payload-short": "length",
    "payload-long": "length",
    "cycle-time-off": "rate",
    "counter-stuck": "counter",
    "counter-skips": "counter",
    "counter-repeats": "counter",
    "checksum-wrong": "checksum",
    "checksum-still": "checksum",
    "checksum-not-recognised": "checksum",
}
"""Findings that a value alone does not bring about, and what is then right when exchanged."""


@dataclass(frozen=True)
class Swapped:
    """What is told, and for each message the codes of its findings that are explained."""

    findings: tuple[Finding, ...] = ()
    codes: Mapping[str, frozenset[str]] = field(default_factory=dict)


class Seen(NamedTuple):
    """What came under an identifier: the commonest length [byte] and the period [ns], if any."""

    length: int
    period_ns: float | None


def seen_under(table: FrameTable, keys: Iterable[FrameKey]) -> dict[FrameKey, Seen]:
    """What came under each of some identifiers that came."""
    found = {}
    for key in keys:
        rows = table.groups[key]
        cycle = measured_cycle(table.time_ns[rows])
        length = int(np.bincount(table.length[rows]).argmax())
        found[key] = Seen(length, None if cycle is None else cycle.median_ns)
    return found


def fits(stream: Stream, seen: Seen) -> tuple[bool, bool]:
    """Whether what came has the message's length, and its rate where it is stated."""
    length = seen.length == stream.message.length
    if stream.cycle is None or stream.event or seen.period_ns is None:
        return length, False
    return length, abs(seen.period_ns / stream.cycle.ns - 1) <= RATE


def judged_under(
    table: FrameTable, stream: Stream, key: FrameKey, span: Listened, limits: BenchLimits
) -> MessageProof:
    """A message as if it were defined under another identifier."""
    fields = split_identifier(key.identifier) if stream.message.j1939 is not None else None
    message = replace(stream.message, identifier=key.identifier, j1939=fields)
    return prove_message(table, replace(stream, message=message), span, limits)


def explain_swapped(
    table: FrameTable,
    proofs: Sequence[MessageProof],
    own: Sequence[Stream],
    span: Listened,
    limits: BenchLimits,
) -> Swapped:
    """The exchanges of identifiers that make wrong messages right; ``proofs`` are of ``own``."""
    came = [(p, s) for p, s in zip(proofs, own, strict=True) if p.frames]
    rings = _rings(table, came, span, limits)
    often = Counter(proof.message.name for ring in rings for proof, _ in ring)
    found: list[Finding] = []
    codes: dict[str, frozenset[str]] = {}
    for ring in rings:
        if any(often[proof.message.name] > 1 for proof, _ in ring):
            continue
        found.append(_finding(ring))
        codes |= {p.message.name: frozenset(f.code for f in p.findings) for p, _ in ring}
    return Swapped(tuple(found), codes)


Ring = tuple[tuple[MessageProof, Stream], ...]
"""Each comes under the identifier of the next, the last under that of the first."""


def _rings(
    table: FrameTable,
    came: Sequence[tuple[MessageProof, Stream]],
    span: Listened,
    limits: BenchLimits,
) -> list[Ring]:
    """All that are right only when exchanged; none where too many would have to be looked at to
    know that each is the only one."""
    if len(came) ** 2 > MOST_PAIRS:
        return []
    wrong = [_wrong(proof) for proof, _ in came]
    plain = [any(f.code in PLAIN for f in told) for told in wrong]
    seen = seen_under(table, (stream.key for _, stream in came))

    def may(one: int, other: int) -> bool:
        return _may_be(came[one][1], came[other][1].key, seen)

    @cache
    def right(one: int, other: int) -> bool:
        stream, key = came[one][1], came[other][1].key
        return not _wrong(judged_under(table, stream, key, span, limits))

    pairs = [
        (one, other)
        for one, other in combinations(range(len(came)), 2)
        # More than the range of a single message's values is wrong as defined.
        if (plain[one] or plain[other] or (wrong[one] and wrong[other]))
        and may(one, other)
        and may(other, one)
    ]
    if len(pairs) > MOST_JUDGED // 2:
        return []
    found: list[tuple[int, ...]] = [p for p in pairs if right(*p) and right(*p[::-1])]
    odd = [i for i, told in enumerate(wrong) if told]
    likely = _on_rings([(a, b) for a, b in permutations(odd, 2) if may(a, b)])
    if len(likely) <= MOST_JUDGED:
        found += _rings_of(_on_rings([(a, b) for a, b in likely if right(a, b)]))
    return [tuple(came[i] for i in ring) for ring in found]


def _on_rings(edges: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Those of some steps from one to another after and before which there are others."""
    kept = list(edges)
    while True:
        begin, end = {a for a, _ in kept}, {b for _, b in kept}
        left = [(a, b) for a, b in kept if a in end and b in begin]
        if len(left) == len(kept):
            return kept
        kept = left


def _rings_of(edges: Sequence[tuple[int, int]]) -> list[tuple[int, ...]]:
    """Every ring of three and more, from its first number on; none where there are very many."""
    after: dict[int, list[int]] = {}
    for one, other in edges:
        after.setdefault(one, []).append(other)
    found: list[tuple[int, ...]] = []
    begun: list[tuple[int, ...]] = [(one,) for one in after]
    while begun:
        path = begun.pop()
        for other in after[path[-1]]:
            if other == path[0] and len(path) > 2:
                if len(found) == MOST_JUDGED:
                    return []
                found.append(path)
            elif other > path[0] and other not in path and len(path) < LONGEST_RING:
                begun.append((*path, other))
    return found


def _wrong(proof: MessageProof) -> list[Finding]:
    return [f for f in proof.findings if f.weight > Weight.NOTE]


def _may_be(stream: Stream, key: FrameKey, seen: Mapping[FrameKey, Seen]) -> bool:
    """Whether the frames under a key have the length and rate of a message."""
    if key.extended != stream.key.extended:
        return False
    length, rate = fits(stream, seen[key])
    return length and (rate or stream.cycle is None or stream.event)


def _finding(ring: Ring) -> Finding:
    _, stream = ring[0]
    proofs = [proof for proof, _ in ring]
    wrong = [f for proof in proofs for f in _wrong(proof)]
    right = dict.fromkeys(PLAIN.get(f.code, "values") for f in wrong)
    names = [p.message.name for p in proofs]
    if len(ring) == 2:
        labels = " and ".join(p.message.label for p in proofs)
        told = f"{names[0]} and {names[1]} come under each other's identifiers ({labels})"
    else:
        under = [
            f"{one.message.name} under that of {other.message.name} ({other.message.label})"
            for one, other in zip(proofs, (*proofs[1:], proofs[0]), strict=True)
        ]
        told = f"{listing(names, LONGEST_RING)} come under each other's identifiers, "
        told += listing(under, LONGEST_RING)
    each = "either" if len(ring) == 2 else "any"
    return Finding(
        "identifiers-swapped",
        Weight.FAULT,
        Where(stream.network, stream.node),
        f"{told}: exchanged, nothing is wrong in {each}; wrong as defined: {listing(right)}",
        why="Every receiver takes the values of one message for those of another.",
        action="Ask the maker which is right, the node or its definition, and have it corrected.",
        figures=(Figure("messages", len(ring)), Figure("wrong as defined", len(wrong))),
    )
