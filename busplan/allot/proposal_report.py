"""A proposal as tables, sentences and a document."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from typing import Any

from busplan.allot.conflict import Conflict
from busplan.allot.effect import Effect, State, effects
from busplan.allot.steps import Step, steps
from busplan.allot.whole import Proposal
from busplan.plan.movable import Costs
from busplan.tables import Table
from busplan.wording import counted, listing

ASSUMED = (
    "counted with the proven worst case of every message and the costs below; what costs less than "
    "these changes was searched for in all placements that the plan allows"
)
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
    if not count:
        return "Nothing has to change: everything is in time, under names of its own, where it is."
    told = f"{counted(count, 'change')}, cost {found.best.cost:.2f}"
    if found.proven:
        return f"{told}; no cheaper plan exists (bound {found.bound:.2f})."
    return (
        f"{told}; not proven to be the cheapest: none costs less than {found.bound:.2f} (bound), "
        f"so at most {100 * found.gap:.1f} % could be saved.{_refuted(found)}"
    )


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
        return "Impossible: no placement that the plan allows works."
    ended = "the search ended" if found.stopped else "no answer was found"
    return (
        f"No answer yet: {ended} without one, and without a proof that there is none; whatever "
        f"works costs {found.bound:.2f} at least. --seconds searches on."
    )


def conflict_sentences(conflict: Conflict) -> Iterator[str]:
    """Why there is no answer, and what would help."""
    for one in conflict.sums:
        yield (
            f"The worst-case loads of {listing(one.nodes, 6)} add up to "
            f"{one.bits_per_s / 1000:.0f} kbit/s; {listing(one.networks, 6)} may carry "
            f"{one.room_per_s / 1000:.0f} kbit/s: {counted(one.needed, 'network')} are needed, "
            f"{len(one.networks)} are there."
        )
    if conflict.nodes:
        late = ", in time" if conflict.late else ""
        yield (
            f"These have no place together{late}: {listing(conflict.nodes, 12)}. "
            + ("Without any one of them the others have one." if conflict.smallest else "")
        )
        if conflict.frees:
            yield f"Each of these alone gives them a place: {listing(conflict.frees, 12)}."
        else:
            yield "No single change that was tried gives them a place."
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
        told = listing(new, 4) if new else "no change beside"
        instead = f", instead of: {listing(spared, 4)}" if spared else ""
        yield f"For {other.cost:.2f}: {told}{instead}."


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
