"""Messages that come under each other's identifiers: what is wrong as defined fits when exchanged.

The rules of this file: pure. Both messages have to be right under the exchanged identifiers, one of
them has to be wrong as defined, and by more than the range of one value: its length, rate, counter
or checksum, or the other one is wrong, too. Where several exchanges fit, none is told. Common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
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
    pairs = _pairs(table, came, span, limits)
    often: dict[str, int] = {}
    for pair in pairs:
        for proof, _ in pair:
            often[proof.message.name] = often.get(proof.message.name, 0) + 1
    found: list[Finding] = []
    codes: dict[str, frozenset[str]] = {}
    for pair in pairs:
        names = [proof.message.name for proof, _ in pair]
        if any(often[name] > 1 for name in names):
            continue
        found.append(_finding(pair))
        codes |= {p.message.name: frozenset(f.code for f in p.findings) for p, _ in pair}
    return Swapped(tuple(found), codes)


Pair = tuple[tuple[MessageProof, Stream], tuple[MessageProof, Stream]]


def _pairs(
    table: FrameTable,
    came: Sequence[tuple[MessageProof, Stream]],
    span: Listened,
    limits: BenchLimits,
) -> list[Pair]:
    """Every two messages that are right only when exchanged; none where too many would have to be
    looked at to know that each is the only one."""
    if len(came) ** 2 > MOST_PAIRS:
        return []
    wrong = [_wrong(proof) for proof, _ in came]
    plain = [any(f.code in PLAIN for f in told) for told in wrong]
    seen = seen_under(table, (stream.key for _, stream in came))
    likely = [
        (one, other)
        for one, other in combinations(range(len(came)), 2)
        # More than the range of a single message's values is wrong as defined.
        if (plain[one] or plain[other] or (wrong[one] and wrong[other]))
        and _may_be(came[one][1], came[other][1].key, seen)
        and _may_be(came[other][1], came[one][1].key, seen)
    ]
    if len(likely) > MOST_JUDGED // 2:
        return []
    found = []
    for one, other in likely:
        (_, first), (_, second) = came[one], came[other]
        exchanged = (
            judged_under(table, first, second.key, span, limits),
            judged_under(table, second, first.key, span, limits),
        )
        if not any(map(_wrong, exchanged)):
            found.append((came[one], came[other]))
    return found


def _wrong(proof: MessageProof) -> list[Finding]:
    return [f for f in proof.findings if f.weight > Weight.NOTE]


def _may_be(stream: Stream, key: FrameKey, seen: Mapping[FrameKey, Seen]) -> bool:
    """Whether the frames under a key have the length and rate of a message."""
    if key.extended != stream.key.extended:
        return False
    length, rate = fits(stream, seen[key])
    return length and (rate or stream.cycle is None or stream.event)


def _finding(pair: Pair) -> Finding:
    (first, stream), (second, _) = pair
    wrong = [*_wrong(first), *_wrong(second)]
    right = dict.fromkeys(PLAIN.get(f.code, "values") for f in wrong)
    labels = [p.message.label for p in (first, second)]
    return Finding(
        "identifiers-swapped",
        Weight.FAULT,
        Where(stream.network, stream.node),
        f"{first.message.name} and {second.message.name} come under each other's identifiers "
        f"({labels[0]} and {labels[1]}): exchanged, nothing is wrong in either; wrong as defined: "
        f"{listing(right)}",
        why="Every receiver takes the values of one message for those of the other.",
        action="Ask the maker which is right, the node or its definition, and have it corrected.",
        figures=(Figure("messages", 2), Figure("wrong as defined", len(wrong))),
    )
