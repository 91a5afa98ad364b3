"""Why a node differs from its definition: hypotheses in place of all that they explain.

The rules of this file: pure. What is explained stays in the messages' own proofs, so that no
verdict gets better; it is only not told again beside its reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from busplan.bench.content_differs import explain_contents
from busplan.bench.identifiers_differ import explain_identifiers, later_version
from busplan.bench.leaping import explain_leaps
from busplan.bench.message import CAUSED
from busplan.bench.node_report import BenchLimits, MessageProof
from busplan.bench.rhythm import Listened
from busplan.bench.swapped import explain_swapped
from busplan.findings import Figure, Finding, Where
from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import listing

TWO = "two-senders-likely"
NEVER_CAME = frozenset({"message-missing", "message-not-due", "message-not-seen"})
"""What is told of a message that did not come, unless there is one reason for all."""


@dataclass(frozen=True)
class Why:
    """The hypotheses told; the missing messages and unknown identifiers they explain.

    ``codes`` maps a message to codes of its findings that are explained.
    """

    findings: tuple[Finding, ...] = ()
    messages: frozenset[str] = frozenset()
    keys: frozenset[FrameKey] = frozenset()
    codes: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def left(self, proofs: Sequence[MessageProof]) -> list[Finding]:
        """What is to be told of the messages: the hypotheses, and all that they do not explain."""
        told = []
        for proof in proofs:
            name = proof.message.name
            codes = self.codes.get(name, frozenset())
            if name in self.messages:
                codes |= NEVER_CAME
            told += [f for f in proof.findings if f.code not in codes]
        return [*self.findings, *_one_of_two_senders(told)]


def explain(
    table: FrameTable,
    proofs: Sequence[MessageProof],
    own: Sequence[Stream],
    strange: Sequence[FrameKey],
    span: Listened,
    limits: BenchLimits,
    its: int,
) -> Why:
    """Every hypothesis that fits; ``proofs`` are of ``own``, nobody defines the ``strange``.

    So many of these are ``its`` own for certain: others may send the rest.
    """
    if not own:
        return Why()
    moved = explain_identifiers(table, proofs, own, strange, span, limits)
    swapped = explain_swapped(table, proofs, own, span, limits)
    rest = [(p, s) for p, s in zip(proofs, own, strict=True) if p.message.name not in swapped.codes]
    left, streams = [p for p, _ in rest], [s for _, s in rest]
    contents, codes = explain_contents(table, left, streams)
    leaps = explain_leaps(table, left, streams, codes)
    where = Where(own[0].network, own[0].node)
    later = None if moved.findings else later_version(proofs, its, where)
    return Why(
        (
            *moved.findings,
            *swapped.findings,
            *contents,
            *leaps,
            *(() if later is None else (later,)),
        ),
        moved.messages,
        moved.keys,
        {**codes, **swapped.codes},
    )


def _one_of_two_senders(told: list[Finding]) -> list[Finding]:
    """Several messages that two nodes seem to send, as one finding."""
    two = [f for f in told if f.code == TWO]
    if not two:
        return told
    # A second node of this kind sends its slow messages too, in which it does not show as clearly.
    caused = [f for f in told if f.code in CAUSED]
    told = [f for f in told if f.code not in CAUSED]
    weight = max(f.weight for f in (*two, *caused))
    if len(two) == 1:
        return [replace(f, weight=weight) if f.code == TWO else f for f in told]
    names = [f.where.message or "?" for f in two]
    first = max(two, key=lambda f: f.weight)
    hint = first.summary.partition(": ")[2]
    merged = replace(
        first,
        weight=weight,
        where=Where(first.where.network, first.where.node),
        summary=f"likely two senders of {len(two)} messages ({listing(names)}): of "
        f"{first.where.message} {hint}",
        figures=(Figure("messages", len(two)),),
    )
    return [merged, *(f for f in told if f.code != TWO)]
