"""The answer about identifiers as tables, sentences, document and text for the plan."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from busplan.allot.identifiers import Allotment, NetworkAnswer
from busplan.allot.impossible import Freed
from busplan.allot.networks import ImpossibleSet
from busplan.checks.registry import run_checks
from busplan.findings import Finding, by_weight
from busplan.plan.paper_text import key_text
from busplan.tables import Table
from busplan.timing.slack import FAULT_CEILING_NS
from busplan.wording import counted, listing, plain

BASIS = (
    "counted with the proven worst case of every message, for the jitter that gateways bring and "
    "for numbers free between those that stay"
)


@dataclass(frozen=True, slots=True)
class NetworkRow:
    """One network: how many are wrong, how many change, how many must at least."""

    network: str
    messages: int
    may_change: int
    wrong_before: int
    changes: int
    bound: int
    wrong_after: int
    unjudged: int


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One message that gets another identifier."""

    network: str
    node: str
    message: str
    was: str
    becomes: str
    reason: str


def network_table(found: Allotment) -> Table[NetworkRow]:
    """One row a network."""
    rows = tuple(
        NetworkRow(
            network=a.network,
            messages=a.messages,
            may_change=a.may_change,
            wrong_before=a.wrong_before,
            changes=len(a.changes),
            bound=a.bound,
            wrong_after=a.wrong_after,
            unjudged=a.unjudged,
        )
        for a in found.networks
    )
    return Table("networks", NetworkRow, rows)


def change_table(found: Allotment) -> Table[ChangeRow]:
    """One row a changed message, most urgent first within a network."""
    rows = []
    for answer in found.networks:
        for change in sorted(answer.changes, key=lambda c: c.becomes):
            network, node, message = change.stream.path
            rows.append(ChangeRow(network, node, message, change.was, change.new, change.reason))
    return Table("changes", ChangeRow, tuple(rows))


def plan_told(*, changes: bool) -> str:
    """What is judged in the end: the plan with the changes, or as it is when there are none."""
    return "the plan so changed" if changes else "the plan as it is"


NOTHING_SENT = "Nobody sends a message there, so there is nothing to judge or to change."


def unknown_sentence(count: int) -> str:
    """That some messages are not judged, and what would help."""
    return (
        f"{counted(count, 'message')} without a period, a deadline or a known way on the bus "
        "cannot be judged: state them, and look again."
    )


def sentences(found: Allotment, more: Allotment | None = None) -> Iterator[str]:
    """What the answer is worth, network by network, and what stands in its way.

    ``more``: the answer when every message shall bear one bus error; it may be this one.
    """
    unjudged = sum(a.unjudged for a in found.networks)
    if not any(a.messages for a in found.networks):
        yield NOTHING_SENT
        return
    if found.solved and not found.changes:
        judged = "every message that states period and deadline" if unjudged else "every message"
        yield f"No identifier has to change: {judged} is {found.want.words} and has one of its own."
    if unjudged:
        yield unknown_sentence(unjudged)
    for answer in found.networks:
        if answer.wrong_before or answer.wrong_after or answer.changes:
            yield f"{answer.network}: {_sentence(found, answer)}"
    if len([a for a in found.networks if a.changes]) > 1:
        total = counted(len(found.changes), "change")
        yield f"In all: {total}, at least {found.bound} are needed; {BASIS}."
    elif found.changes:
        yield f"Both figures are {BASIS}."
    if found.want.kind == "most-robust":
        yield from map(_borne, found.networks)
    if more is not None:
        yield _more(found, more)


def _borne(answer: NetworkAnswer) -> str:
    """How close bus errors may come on a network at best."""
    if not answer.fault_every:
        return f"{answer.network}: not even one bus error is borne, whatever the identifiers"
    if answer.fault_every >= FAULT_CEILING_NS or not answer.messages:
        return f"{answer.network}: one bus error is borne, and none is borne again within a minute"
    return (
        f"{answer.network}: bus errors each {answer.fault_every / 1e6:g} ms are borne; an exact "
        "search finds no order of identifiers that bears closer ones"
    )


def _more(found: Allotment, more: Allotment) -> str:
    """What bearing one bus error would take beside."""
    if not more.solved:
        names = listing([a.network for a in more.networks if a.wrong_after])
        return f"One bus error more is not borne on {names} by any answer that was found."
    if more is found:
        unknown = any(a.unjudged for a in found.networks)
        judged = "Every message that is judged" if unknown else "Every message"
        return f"{judged} bears one bus error as well."
    extra = len(more.changes) - len(found.changes)
    if extra <= 0:
        return "One bus error can be borne by as many changes, chosen otherwise: --want one-error."
    return (
        f"{counted(extra, 'more change')} ({len(more.changes)} in all, at least {more.bound}) "
        "would let every message bear one bus error as well: --want one-error."
    )


def _sentence(found: Allotment, answer: NetworkAnswer) -> str:
    if answer.waits:
        return (
            "messages that a gateway brings have no bound yet: mend the networks they come from "
            "first"
        )
    if answer.impossible:
        return "; ".join(map(_impossible, _grouped(answer.impossible)))
    if not answer.changes:
        return "no answer was found in the time given; --seconds allows more"
    change = counted(len(answer.changes), "identifier changes", "identifiers change")
    if answer.wrong_after:
        return (
            f"{change}, and {answer.wrong_after} are late still: queues first in, first out and "
            "messages in several frames are not searched, or a gateway brings more than before"
        )
    if answer.proven:
        return f"{change}; no answer changes fewer"
    return f"{change}; at least {answer.bound} are needed (bound), --seconds searches on"


def _grouped(sets: Sequence[ImpossibleSet]) -> Iterator[ImpossibleSet]:
    """The sets; those in which the same nodes share identifiers as one."""
    alike: dict[object, ImpossibleSet] = {}
    for number, one in enumerate(sets):
        key: object = tuple(s.node for s in one.streams) if one.shared else number
        if key in alike:
            one = replace(alike[key], streams=(*alike[key].streams, *one.streams))
        alike[key] = one
    yield from alike.values()


def _impossible(one: ImpossibleSet) -> str:
    """Why no identifiers help, and what would."""
    names = listing([f"{s.node}/{s.path[2]}" for s in one.streams], 12)
    if one.shared:
        what = "an identifier" if len({s.key for s in one.streams}) == 1 else "identifiers"
        told = f"impossible: {names} share {what}, and no more of them may change"
    else:
        told = (
            "impossible: these cannot all be in time, whatever the identifiers that may change "
            f"(without any one of them the others can): {names}"
        )
    if len(one.streams) == 1:
        told = f"impossible: {names} is late even before all others"
    ways = [_way(one, freed) for freed in one.frees]
    if len(one.streams) > 1:
        ways.append("one of them on another network")
    return f"{told}. Each of these would free them: {', or '.join(ways)}" if ways else told


def _way(one: ImpossibleSet, freed: Freed) -> str:
    """One thing that would make a set possible."""
    if freed.what == "identifiers":
        told = f"other identifiers for {freed.node}"
    elif freed.what == "deadline":
        told = f"{plain(freed.value / 1e6, 3)} ms for {freed.node}/{freed.message}"
    else:
        told = f"{freed.value // 1000} kbit/s"
        if one.strangers:
            told += f", which {listing(one.strangers)} would have to speak,"
    return told if freed.whole else f"{told} (not all else on the network yet)"


def allot_findings(found: Allotment) -> tuple[Finding, ...]:
    """Every finding about the changed plan, heaviest first."""
    return tuple(by_weight(run_checks(found.after)))


def as_toml(found: Allotment) -> str:
    """The changes as tables of a plan."""
    return "\n".join(
        f"[message.{key_text(change.stream.label)}]\n"
        f"identifier = {change.becomes:#x}  # was {change.was}\n"
        for change in found.changes
    )


def as_dict(
    found: Allotment, findings: tuple[Finding, ...], more: Allotment | None = None
) -> dict[str, Any]:
    """Plain values for JSON; ``more`` as for :func:`sentences`."""
    one_error = None
    if more is not None:
        one_error = {"solved": more.solved, "changes": len(more.changes), "bound": more.bound}
    return {
        "want": str(found.want),
        "solved": found.solved,
        "changes": len(found.changes),
        "bound": found.bound,
        "fault_interval_ns": found.fault_interval_ns,
        "one_error": one_error,
        "networks": [
            {
                "network": a.network,
                "messages": a.messages,
                "may_change": a.may_change,
                "wrong_before": a.wrong_before,
                "wrong_after": a.wrong_after,
                "unjudged": a.unjudged,
                "bound": a.bound,
                "proven": a.proven,
                "waits": a.waits,
                "fault_every_ns": a.fault_every,
                "impossible": [
                    {
                        "messages": [s.label for s in one.streams],
                        "shared": one.shared,
                        "frees": [asdict(f) for f in one.frees],
                        "not_spoken_by": list(one.strangers),
                    }
                    for one in a.impossible
                ],
                "changes": [
                    {
                        "message": c.stream.label,
                        "was": c.stream.message.identifier,
                        "becomes": c.becomes,
                        "extended": c.stream.message.extended,
                        "reason": c.reason,
                    }
                    for c in a.changes
                ],
            }
            for a in found.networks
        ],
        "findings_after": [f.as_dict() for f in findings],
    }
