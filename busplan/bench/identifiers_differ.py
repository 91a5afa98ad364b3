"""Why messages are missing while unknown ones come: the one change that makes them fit.

The rules of this file: pure. A hypothesis is told with its evidence and only when it explains what
chance could not: the same distance for several identifiers, or one whose length and rate fit too.
Common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from busplan.bench.node_report import BenchLimits, MessageProof, NodeVerdict
from busplan.bench.rhythm import Listened
from busplan.bench.swapped import MOST_PAIRS, fits, judged_under, seen_under
from busplan.definitions.j1939 import split_identifier
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.identifier import FrameKey, format_identifier
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import counted, listing


@dataclass(frozen=True)
class Explained:
    """What a hypothesis says, and which messages and unknown identifiers it speaks for."""

    findings: tuple[Finding, ...] = ()
    messages: frozenset[str] = frozenset()
    keys: frozenset[FrameKey] = frozenset()


def explain_identifiers(
    table: FrameTable,
    proofs: Sequence[MessageProof],
    own: Sequence[Stream],
    strange: Sequence[FrameKey],
    span: Listened,
    limits: BenchLimits,
) -> Explained:
    """The other width, address or offset under which the missing messages come, if there is one.

    ``proofs`` are those of ``own``; ``strange`` are identifiers that no definition has.
    """
    missing = [s for p, s in zip(proofs, own, strict=True) if not p.frames]
    if not missing or not strange:
        return Explained()
    wide = _other_width(missing, strange)
    left = [s for s in missing if s.message.name not in wide.messages]
    rest = [k for k in strange if k not in wide.keys]
    there = sum(p.frames > 0 for p in proofs)
    moved = _moved(table, left, rest, span, limits, there)
    return Explained(
        (*wide.findings, *moved.findings),
        wide.messages | moved.messages,
        wide.keys | moved.keys,
    )


def _other_width(missing: Sequence[Stream], strange: Sequence[FrameKey]) -> Explained:
    """Messages that come under the right number with the other width of identifier."""
    there = set(strange)
    found = {}
    for stream in missing:
        twin = stream.key._replace(extended=not stream.key.extended)
        if twin in there:
            found[stream.message.name] = (stream, twin)
    if not found:
        return Explained()
    stream, twin = next(iter(found.values()))
    came, wanted = (29, 11) if twin.extended else (11, 29)
    finding = Finding(
        "identifier-width-differs",
        Weight.FAULT,
        Where(stream.network, stream.node),
        f"{listing(found)} {'comes' if len(found) == 1 else 'come'} with identifiers of {came} "
        f"bits; the definition says {wanted} bits "
        f"({format_identifier(twin.identifier, twin.extended)} instead of "
        f"{stream.message.label})",
        why="To every receiver that is another identifier, so nobody takes the message.",
        action="Set the width in the node, or correct the definition: in a DBC file the number of "
        "a 29-bit identifier has its highest bit set.",
        figures=(Figure("messages", len(found)),),
    )
    return Explained((finding,), frozenset(found), frozenset(k for _, k in found.values()))


def _moved(
    table: FrameTable,
    missing: Sequence[Stream],
    strange: Sequence[FrameKey],
    span: Listened,
    limits: BenchLimits,
    others: int,
) -> Explained:
    """Messages that come under identifiers that all lie the same distance off.

    ``others`` come under the identifiers that their definition gives them: then it is not the node
    that is set otherwise.
    """
    if not missing or len(missing) * len(strange) > MOST_PAIRS:
        return Explained()
    seen = seen_under(table, strange)
    votes: Counter[int] = Counter()
    sure: Counter[int] = Counter()
    for stream in missing:
        for key in strange:
            if key.extended != stream.key.extended:
                continue
            length, rate = fits(stream, seen[key])
            if length:
                votes[key.identifier - stream.key.identifier] += 1
                sure[key.identifier - stream.key.identifier] += rate
    if not votes:
        return Explained()
    by = max(votes, key=lambda d: (votes[d], sure[d], -abs(d)))
    # One message alone may be any other of its length: its rate has to fit, and nothing else may.
    rivals = sum(votes[d] == votes[by] and sure[d] >= sure[by] for d in votes)
    if rivals > 1 or (votes[by] == 1 and (not sure[by] or len(missing) > 1)):
        return Explained()
    there = {(k.extended, k.identifier): k for k in strange}
    pairs = [
        (s, k)
        for s in missing
        if (k := there.get((s.key.extended, s.key.identifier + by))) and fits(s, seen[k])[0]
    ]
    judged = [judged_under(table, s, k, span, limits) for s, k in pairs]
    right = sum(p.verdict in (NodeVerdict.PASS, NodeVerdict.NOT_PROVEN) for p in judged)
    first, key = pairs[0]
    evidence = (
        f"under them {counted(len(pairs), 'message')} of {len(missing)} missing "
        f"{'comes' if len(pairs) == 1 else 'come'} with the right length, {sure[by]} at the right "
        f"rate, {right} with nothing wrong in it"
    )
    finding = Finding(
        "identifiers-moved",
        Weight.FAULT,
        Where(first.network, first.node),
        f"{_some(pairs, others) if others else _how(first, key, by)}: {evidence}",
        why="Likely another software than the definition; no receiver knows the message there."
        if others
        else "It is another instance, address or variant of the part; no receiver knows it there.",
        action="Ask the maker for the definition of this software, or state the identifier of the "
        "message in the plan, and test again."
        if others
        else "Set its address or instance, or place it so in the plan (source_address, "
        "identifier_offset), and test again.",
        figures=(Figure("messages", len(pairs)), Figure("distance", by)),
    )
    return Explained(
        (finding,),
        frozenset(s.message.name for s, _ in pairs),
        frozenset(k for _, k in pairs),
    )


def _how(stream: Stream, key: FrameKey, by: int) -> str:
    """In words, where it sends instead."""
    if stream.message.j1939 is not None and key.identifier >> 8 == stream.key.identifier >> 8:
        here, there = (split_identifier(i).source for i in (key.identifier, stream.key.identifier))
        return f"it sends from address 0x{here:02X} instead of 0x{there:02X}"
    way = "higher" if by > 0 else "lower"
    return (
        f"its identifiers lie 0x{abs(by):X} {way} than defined "
        f"({format_identifier(key.identifier, key.extended)} instead of {stream.message.label})"
    )


def _some(pairs: Sequence[tuple[Stream, FrameKey]], others: int) -> str:
    """In words, which messages alone come under other identifiers."""
    each = [
        f"{s.message.name} under {format_identifier(k.identifier, k.extended)} instead of "
        f"{s.message.label}"
        for s, k in pairs
    ]
    likely = f"likely {listing(each, 4)}, while {counted(others, 'message')}"
    return f"{likely} {'comes' if others == 1 else 'come'} where defined"


def later_version(proofs: Sequence[MessageProof], unknown: int, where: Where) -> Finding | None:
    """That everything defined is right and more comes, when it is so: likely a newer software."""
    came = [p for p in proofs if p.frames]
    wrong = {f.code for p in came for f in p.findings if f.weight is Weight.FAULT}
    longer = any(f.code == "payload-long" for p in came for f in p.findings)
    if len(came) < len(proofs) or len(came) < 2 or wrong - {"payload-long"}:
        return None
    if not unknown and not longer:
        return None
    more = [counted(unknown, "message") + " that it does not have"] if unknown else []
    more += ["longer payloads"] if longer else []
    return Finding(
        "definition-older",
        Weight.NOTE,
        where,
        f"all {len(came)} defined messages come as defined, and {listing(more)} besides: likely a "
        "later software than the definition",
        why="What was added may matter to its receivers, and takes room on the network.",
        action="Ask the maker for the definition of this software.",
        figures=(Figure("messages", len(came)), Figure("more", unknown)),
    )
