"""A proposal as tables, sentences and a document."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from typing import Any

from busplan.allot.conflict import Conflict
from busplan.allot.effect import Effect, State, effects
from busplan.allot.identifiers import unjudged
from busplan.allot.report import NOTHING_SENT, unknown_sentence
from busplan.allot.steps import Step, steps
from busplan.allot.wanted import Robust, Wanted
from busplan.allot.wants import IN_TIME
from busplan.allot.whole import Proposal
from busplan.checks.document import whose
from busplan.plan.movable import Costs
from busplan.tables import Table
from busplan.timing.gateways import vehicle_timing
from busplan.timing.slack import FAULT_CEILING_NS
from busplan.wording import counted, listing, percent, plain

ASSUMED = (
    "counted with the proven worst case of every message and the costs below; what costs less than "
    "these changes was searched for in all placements that the plan allows"
)
_OPEN = "Whether one bus error more could be borne was not found out in the time given."
_COSTS = {
    "move": "a node moved",
    "identifier": "an identifier, offset or address set",
    "reset": "a part set to another bit rate",
    "route": "a new route",
    "reroute": "a route led elsewhere",
    "network": "a new network",
    "metre": "a metre of trunk",
}


@dataclass(frozen=True, slots=True)
class StepRow:
    """One change of the best answer."""

    change: str
    cost: float
    reason: str
    elsewhere: str
    refuse: str


def table_of(found: Iterable[Step]) -> Table[StepRow]:
    """One row a change."""
    rows = (StepRow(s.what, s.cost, s.why, "; ".join(s.elsewhere), s.name) for s in found)
    return Table("changes", StepRow, tuple(rows))


def costs_in_words(costs: Costs) -> str:
    """What each kind of change is counted as."""
    return ", ".join(f"{_COSTS[f.name]} {getattr(costs, f.name):g}" for f in fields(costs))


def headline(found: Proposal) -> str:
    """The answer in a sentence: how many changes, at what cost, and whether less would do."""
    if found.best is None:
        return _no_answer(found)
    count = len(steps(found.best))
    if not found.before.streams:
        return NOTHING_SENT
    if not count:
        known = "all that states period and deadline" if unknown(found) else "all"
        return (
            f"Nothing has to change: {known} is {found.words}, under names of its own, where it is."
        )
    told = f"{counted(count, 'change')}, cost {found.best.cost:.2f}"
    if found.words != IN_TIME.words:
        told += f", and all is {found.words}"
    if found.proven:
        return f"{told}; no cheaper plan exists (bound {found.bound:.2f})."
    return (
        f"{told}; not proven to be the cheapest: none costs less than {found.bound:.2f} (bound), "
        f"so at most {percent(found.gap)} could be saved{_ended(found)}.{_refuted(found)}"
    )


def _ended(found: Proposal) -> str:
    return "; the search was ended before its end" if found.stopped else ""


def _refuted(found: Proposal) -> str:
    """Why what lies between answer and bound is not proven to be impossible."""
    if not found.refuted:
        return ""
    return (
        f" {counted(found.refuted, 'time')} a whole plan was refused for delays that identifiers "
        "changed for it bring through gateways: what was refused so is no part of the bound."
    )


def _no_answer(found: Proposal) -> str:
    if found.conflict is not None:
        if found.words != IN_TIME.words:
            return f"Impossible: with no changes that the plan allows is all {found.words}."
        return "Impossible: no placement that the plan allows works."
    ended = "the search ended" if found.stopped else "no answer was found"
    return (
        f"No answer yet: {ended} without one, and without a proof that there is none; whatever "
        f"works costs {found.bound:.2f} at least. --seconds searches on."
    )


def unknown(found: Proposal) -> int:
    """How many messages of the changed plan cannot be judged."""
    if found.best is None:
        return 0
    timing = vehicle_timing(found.best.vehicle)
    return sum(unjudged(timing, name) for name in timing.networks)


def wanted_sentences(found: Wanted) -> Iterator[str]:
    """What is not judged, how close bus errors may come, and what bearing one would take."""
    if count := unknown(found.proposal):
        yield unknown_sentence(count)
    if found.robust is not None:
        yield _borne(found.robust)
    if found.more is not None:
        yield _more(found.proposal, found.more)
    elif found.open:
        yield _OPEN


def _borne(robust: Robust) -> str:
    if not robust.borne:
        return (
            "Not even one bus error on each network is borne, whatever the plan lets change "
            "(--want one-error says why); this answer is for none."
        )
    if robust.borne >= FAULT_CEILING_NS:
        told = "One bus error is borne on every network, and none again within a minute"
    else:
        told = f"Bus errors each {plain(robust.borne / 1e6, 5)} ms are borne on every network"
    if not robust.never:
        return f"{told}; whether closer ones could be was not found out in the time given."
    never = (
        f"no changes that the plan allows bear them each {plain(robust.never / 1e6, 5)} ms (proven)"
    )
    return f"{told}; {never}." if robust.known else f"{told}; {never}, between is not known."


def _more(found: Proposal, more: Proposal) -> str:
    """What bearing one bus error would take beside."""
    if more is found:
        judged = "Every message that is judged" if unknown(found) else "Every message"
        return f"{judged} bears one bus error as well."
    if more.best is None or found.best is None:
        if more.conflict is None:
            return _OPEN
        who = f" ({listing(more.conflict.nodes, 4)})" if more.conflict.nodes else ""
        return (
            f"No changes that the plan allows let every message bear one bus error as well{who}: "
            "--want one-error says why."
        )
    counts = [len(steps(p)) for p in (found.best, more.best)]
    least = "no cheaper plan does" if more.proven else f"at least {more.bound:.2f}"
    return (
        f"{counted(counts[1], 'change')} instead of {counts[0]}, cost {more.best.cost:.2f} instead "
        f"of {found.best.cost:.2f} ({least}), would let every message bear one bus error as well: "
        "--want one-error."
    )


def conflict_sentences(conflict: Conflict, words: str = IN_TIME.words) -> Iterator[str]:
    """Why there is no answer, and what would help."""
    for one in conflict.sums:
        yield (
            f"The worst-case loads of {listing(one.nodes, 6)} add up to "
            f"{one.bits_per_s / 1000:.0f} kbit/s; {listing(one.networks, 6)} may carry "
            f"{one.room_per_s / 1000:.0f} kbit/s: {counted(one.needed, 'network')} are needed, "
            f"{len(one.networks)} are there."
        )
    if conflict.nodes:
        late = f", {words}" if conflict.late else ""
        names = listing(conflict.nodes, 12)
        them = "them" if len(conflict.nodes) > 1 else "it"
        if len(conflict.nodes) == 1:
            yield f"{names} has no place, even without the other nodes (gateways apart){late}."
        elif conflict.smallest:
            told = "Without any one of them the others have one."
            yield f"These have no place together{late}: {names}. {told}"
        else:
            yield f"These have no place together{late}: {names}."
        if conflict.frees:
            yield f"Each of these alone gives {them} a place: {listing(conflict.frees, 12)}."
        else:
            yield f"No single change that was tried gives {them} a place."
    elif not conflict.sums:
        yield "The gateways alone have no place, or the reason was not found in the time given."


def other_sentences(found: Proposal) -> Iterator[str]:
    """What the other answers do differently."""
    if found.best is None:
        return
    mine = {s.what for s in steps(found.best)}
    for other in found.others:
        theirs = steps(other)
        new = [s.what for s in theirs if s.what not in mine]
        spared = sorted(mine - {s.what for s in theirs})
        instead = f"instead of: {listing(spared, 4)}" if spared else ""
        told = ", ".join(filter(None, (listing(new, 4) if new else "", instead)))
        if told:
            yield f"For {other.cost:.2f}: {told}."


def as_dict(found: Proposal) -> dict[str, Any]:
    """Plain values for JSON."""
    best = found.best
    return {
        "solved": best is not None,
        "cost": None if best is None else best.cost,
        "bound": found.bound,
        "gap": found.gap,
        "proven": found.proven,
        "stopped": found.stopped,
        "fault_interval_ns": found.fault_interval_ns,
        "want": str(found.want),
        "refused_as_a_whole": found.refuted,
        "refused": list(found.refused),
        "costs": {f.name: getattr(found.before.freedom.costs, f.name) for f in fields(Costs)},
        "changes": [] if best is None else list(map(_step_dict, steps(best))),
        "networks": []
        if best is None
        else [_effect_dict(e) for e in effects(found.before, best.vehicle)],
        "others": [
            {"cost": o.cost, "changes": list(map(_step_dict, steps(o)))} for o in found.others
        ],
        "conflict": None if found.conflict is None else _conflict_dict(found.conflict),
        "findings_after": [] if best is None else [f.as_dict() for f in best.findings],
    }


def wanted_dict(found: Wanted) -> dict[str, Any]:
    """The same with how close bus errors may come, and what bearing one would take."""
    more, robust = found.more, found.robust
    one_error: dict[str, Any] | None = None
    if found.open:
        one_error = {"solved": False, "changes": None, "cost": None, "bound": 0.0, "proven": False}
    if more is not None:
        one_error = {
            "solved": more.best is not None,
            "changes": None if more.best is None else len(steps(more.best)),
            "cost": None if more.best is None else more.best.cost,
            "bound": more.bound,
            "proven": more.proven,
        }
    closest = None
    if robust is not None:
        closest = {"fault_every_ns": robust.borne, "never_ns": robust.never}
    return (
        whose(found.proposal.before)
        | as_dict(found.proposal)
        | {
            "want": str(found.want),
            "unjudged": unknown(found.proposal),
            "most_robust": closest,
            "one_error": one_error,
        }
    )


def _step_dict(step: Step) -> dict[str, Any]:
    return {
        "change": step.what,
        "cost": step.cost,
        "reason": step.why,
        "elsewhere": list(step.elsewhere),
        "refuse": step.name,
    }


def _effect_dict(effect: Effect) -> dict[str, Any]:
    def state(one: State | None) -> dict[str, Any] | None:
        return None if one is None else {f.name: getattr(one, f.name) for f in fields(one)}

    return {
        "network": effect.network,
        "before": state(effect.before),
        "after": state(effect.after),
    }


def _conflict_dict(conflict: Conflict) -> dict[str, Any]:
    return {
        "nodes": list(conflict.nodes),
        "smallest": conflict.smallest,
        "late": conflict.late,
        "frees": list(conflict.frees),
        "sums": [
            {
                "nodes": list(s.nodes),
                "networks": list(s.networks),
                "bits_per_s": s.bits_per_s,
                "room_per_s": s.room_per_s,
                "networks_needed": s.needed,
            }
            for s in conflict.sums
        ],
    }
