"""From material to a plan that loads: the steps in order, and what stays open.

The rules of this file: the text is read back after each step, so that routes and the pack are
found in the vehicle that the plan gives. A file whose part makes the plan impossible is left out
and told.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from busplan.definitions.dbc import Definitions
from busplan.errors import PlanError
from busplan.pack.suggest import suggest_for_vehicle
from busplan.plan.locate import key_lines
from busplan.plan.problems import Problems
from busplan.plan.reader import vehicle_of
from busplan.plan.vehicle import Vehicle
from busplan.starting import writing
from busplan.starting.heard import lanes
from busplan.starting.material import NO_ANSWERS, Answers, Material, Question
from busplan.starting.offers import Offer, key_of, offers
from busplan.starting.outline import NetworkPlan, Outline, outline, paper_offers
from busplan.starting.placing import Group, place
from busplan.starting.routes import Way, ways
from busplan.wording import counted, listing

LoadDefinitions = Callable[[Path], Definitions]
_ROUNDS = 20
"""Times that a part which makes the plan impossible is left out."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """The text of a plan and the vehicle it gives; ``gaps`` are sentences on what is open.

    ``unused`` holds files that no part came of, each with its reason.
    """

    text: str
    vehicle: Vehicle
    networks: tuple[NetworkPlan, ...]
    routes: tuple[Way, ...]
    gaps: tuple[str, ...]
    unused: tuple[tuple[str, str], ...]
    questions: tuple[Question, ...]

    def as_dict(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {
            "networks": [
                {
                    "name": n.name,
                    "bit_rate": n.bit_rate.value,
                    "bit_rate_from": n.bit_rate.remark,
                    "data_bit_rate": n.data_bit_rate and n.data_bit_rate.value,
                    "channels": list(n.channels),
                    "nodes": [x.name for x in self.vehicle.nodes_on(n.name)],
                }
                for n in self.networks
            ],
            "routes": len(self.routes),
            "gaps": list(self.gaps),
            "not_used": [{"file": f, "reason": why} for f, why in self.unused],
            "plan": self.text,
        }


def propose(
    material: Material, name: str, load: LoadDefinitions, answers: Answers = NO_ANSWERS
) -> Proposal:
    """A whole plan from what a folder holds; ``load`` reads a definition file as a plan names it.

    ``PlanError`` when nothing in the folder can be a part.
    """
    found, unused = _offered(material)
    left_out: set[str] = set()
    for _ in range(_ROUNDS):
        kept = [o for o in found if o.part not in left_out]
        if not kept:
            break
        groups = place(kept, [Group(lane) for lane in lanes(material.channels)])
        plan = outline(groups, answers)
        try:
            return _finished(material, plan, answers.vehicle or name, load, unused)
        except _ImpossibleError as error:
            left_out |= error.parts
            unused += [
                (o.files[0], error.reason) for o in kept if o.part in error.parts and error.parts
            ]
            if not error.parts:
                raise error.cause from None
    why = listing((f"{f}: {why}" for f, why in unused), 3) or "there is no definition file"
    if material.channels:
        why += "; captures alone name no part: draft a definition of each with busplan draft"
    raise PlanError(f"no part was found: {why}")


class _ImpossibleError(Exception):
    """A proposed plan that does not load, and the parts that are to blame."""

    def __init__(self, cause: PlanError, parts: set[str], reason: str) -> None:
        super().__init__(reason)
        self.cause, self.parts, self.reason = cause, parts, reason


def _offered(material: Material) -> tuple[list[Offer], list[tuple[str, str]]]:
    found, unused = offers(material.definitions, dict(material.names))
    unused = [*material.unused, *unused]
    for table in material.tables:
        found += paper_offers(table, [o.part for o in found])
        unused += [(table.file, doubt) for doubt in table.doubts]
    return found, unused


def _finished(
    material: Material,
    plan: Outline,
    name: str,
    load: LoadDefinitions,
    unused: Sequence[tuple[str, str]],
) -> Proposal:
    """The plan with its routes and its pack, loaded after each."""
    body = [
        "\n# Parts: what was bought. Every file's part was told by its messages and names.\n",
        writing.parts_text(plan.parts),
        "\n# Nodes: which part sits where.\n",
        writing.nodes_text(plan.parts),
    ]
    bare = writing.head_text(name, (), ()) + writing.networks_text(plan.networks) + "".join(body)
    vehicle = _loaded(bare, load, plan)
    found = ways(vehicle)
    routes, periods = writing.routes_text(found), writing.periods_text(plan)
    routed = _loaded(bare + routes + periods, load, plan)
    pack = _pack_text(routed)
    gaps = _gaps(plan, found, pack, routed)
    head = writing.head_text(name, unused, gaps)
    parts = [head, writing.networks_text(plan.networks, routed), *body]
    parts += ["\n# Routes: what gateways seem to carry.\n", routes] if routes else []
    parts += ["\n# Periods that only captures tell.\n", periods] if periods else []
    parts += ["\n# The traction pack, from names and units.\n", pack] if pack else []
    text = "".join(parts)
    return Proposal(
        text=text,
        vehicle=_loaded(text, load, plan),
        networks=plan.networks,
        routes=found,
        gaps=tuple(gaps),
        unused=tuple(unused),
        questions=_questions(plan),
    )


def _loaded(text: str, load: LoadDefinitions, plan: Outline) -> Vehicle:
    """The vehicle of a text, or :class:`_ImpossibleError` with the parts that its problems name."""
    problems = Problems("proposed plan", key_lines(text))
    try:
        return vehicle_of(tomllib.loads(text), problems, Path(), load)
    except PlanError as error:
        blamed = set()
        for problem in error.problems:
            steps = problem.place.replace('"', "").split(".")
            blamed |= {p.name for p in plan.parts if steps[:2] == ["part", p.name]}
            blamed |= {
                p.name
                for p in plan.parts
                for n in p.nodes
                if steps[:2] == ["node", n.name] or any(o.files[0] == problem.file for o in p.ports)
            }
        reason = error.problems[0].text if error.problems else str(error)
        raise _ImpossibleError(error, blamed, f"no plan can hold it: {reason}") from error


def _pack_text(vehicle: Vehicle) -> str:
    """The proposed ``[pack]``; empty without a family of cell voltages."""
    suggestion = suggest_for_vehicle(vehicle)
    return suggestion.text if suggestion.cells else ""


def _gaps(plan: Outline, found: Sequence[Way], pack: str, vehicle: Vehicle) -> list[str]:
    """What to measure or ask, the most important first."""
    guessed = [n.name for n in plan.networks if n.bit_rate.remark.startswith("guess")]
    unseen = [
        node.name
        for part in plan.parts
        for node in part.nodes
        if not all(i.seen for i in node.on.values())
    ]
    gaps = []
    if guessed:
        gaps.append(f"bit rates of {listing(guessed)} are guesses")
    if unseen:
        gaps.append(
            f"{counted(len(unseen), 'node')} seen in no capture, placed by names and messages: "
            f"{listing(unseen, 8)}"
        )
    gaps += _partners_without_file(plan, vehicle)
    gaps.append("which bit rates each part speaks, and whether its identifiers can be set")
    gaps.append("lengths, stubs and terminators of every cable")
    if found:
        gaps.append(f"whether the gateways carry the {counted(len(found), 'proposed route')}")
    if pack:
        gaps.append("everything in [pack] marked with check")
    return gaps


_PARTNERS = 3


def _partners_without_file(plan: Outline, vehicle: Vehicle) -> Iterator[str]:
    """Whom the parts send to and hear, and no file describes: without them nobody is joined."""
    known = {p.sender.casefold() for part in vehicle.parts.values() for p in part.ports.values()}
    known |= {name.casefold() for name in (*vehicle.parts, *vehicle.nodes)}
    named: dict[str, dict[str, None]] = {}
    for offer in (o for part in plan.parts for o in part.ports):
        for message in (*offer.sent, *offer.received):
            for name in (*message.senders, *message.receivers):
                if name.casefold() not in known:
                    named.setdefault(name, {})[offer.files[0]] = None
    ranked = sorted(named, key=lambda n: -len(named[n]))
    for name in ranked[:_PARTNERS]:
        yield f"a definition file of {name}, which is a partner in {listing(named[name], 6)}"
    if more := ranked[_PARTNERS:]:
        yield f"definition files of {counted(len(more), 'more partner')}: {listing(more, 8)}"


def _questions(plan: Outline) -> tuple[Question, ...]:
    """The few that change most: how many of a part nobody saw, and names that nobody gave."""
    asked = []
    for network in plan.networks:
        if network.named_by in ("called as captures call it", "nothing tells its name"):
            nodes = listing(dict.fromkeys(o.part for o in network.group.offers))
            text = f"What do you call the network of {nodes or 'no known part'}?"
            asked.append(Question("network", network.name, text, network.name))
    for part in plan.parts:
        if not any(i.seen for n in part.nodes for i in n.on.values()):
            text = f"How many of {part.name} are there?"
            asked.append(Question("count", part.name, text, str(len(part.nodes))))
    return tuple(asked)


def additions(
    material: Material,
    existing: str,
    vehicle: Vehicle,
    load: LoadDefinitions,
    named: Iterable[str],
) -> tuple[str, Proposal] | None:
    """What new files would add to a plan: text to append to it, and the whole as a proposal.

    ``existing`` is the plan's text, ``vehicle`` what it gives, ``named`` the definition files it
    names. ``None`` when nothing is new.
    """
    known = set(named)
    fresh = tuple(d for d in material.definitions if material.names.get(d.file) not in known)
    found, unused = _offered(replace(material, definitions=fresh))
    used = {*vehicle.parts}
    found = [_renamed(o, used) for o in found if not (o.paper and _is_there(o, vehicle))]
    if not found:
        return None
    groups = _standing(vehicle, material)
    before = [len(g.instances) for g in groups]
    place(found, groups)
    networks = list(vehicle.networks)
    new = [replace(g, instances=g.instances[n:]) for g, n in zip(groups, before, strict=False)]
    fresh_groups = groups[len(networks) :]
    plan = outline([*new, *fresh_groups], NO_ANSWERS, taken=vehicle.nodes)
    plan = _with_names(plan, networks)
    added = [
        "\n# Proposed by busplan from new files. Read every line.\n",
        writing.networks_text(plan.networks[len(networks) :]) if fresh_groups else "",
        writing.parts_text(plan.parts),
        writing.nodes_text(plan.parts),
    ]
    bare = existing.rstrip("\n") + "\n" + "".join(added)
    whole = _loaded(bare, load, plan)
    ways_found = ways(whole)
    routes, periods = writing.routes_text(ways_found), writing.periods_text(plan)
    text = "".join([*added, routes, periods])
    final = _loaded(existing.rstrip("\n") + "\n" + text, load, plan)
    gaps = _gaps(plan, ways_found, "", final)
    proposal = Proposal(
        text=text,
        vehicle=final,
        networks=plan.networks,
        routes=ways_found,
        gaps=tuple(gaps),
        unused=tuple(unused),
        questions=(),
    )
    return text, proposal


def _is_there(offer: Offer, vehicle: Vehicle) -> bool:
    """Whether one part of the plan sends all that a table says, under whatever names."""
    wanted = {(key_of(m), m.length) for m in offer.sent}
    return any(
        wanted <= {(key_of(m), m.length) for m in port.messages if port.sender in m.senders}
        for part in vehicle.parts.values()
        for port in part.ports.values()
    )


def _renamed(offer: Offer, used: set[str]) -> Offer:
    """The offer under a name that the plan does not have yet; a part on paper is its own sender."""
    name, more = offer.part, 2
    while name in used:
        name, more = f"{offer.part}_{more}", more + 1
    if not offer.paper:
        return replace(offer, part=name)
    own = tuple(replace(m, senders=(name,)) for m in offer.messages)
    return replace(offer, part=name, sender=name, messages=own)


def _standing(vehicle: Vehicle, material: Material) -> list[Group]:
    """A plan's networks as groups: the lanes of captures that fit them, and who is there."""
    from busplan.starting.standing import standing_groups

    return standing_groups(vehicle, lanes(material.channels))


def _with_names(plan: Outline, networks: Sequence[str]) -> Outline:
    """The outline with the plan's own names for its first networks."""
    renamed: Mapping[str, str] = {
        one.name: name for one, name in zip(plan.networks, networks, strict=False)
    }
    return Outline(
        tuple(replace(n, name=renamed.get(n.name, n.name)) for n in plan.networks),
        tuple(
            replace(
                part,
                nodes=tuple(
                    replace(node, on={renamed.get(n, n): i for n, i in node.on.items()})
                    for node in part.nodes
                ),
            )
            for part in plan.parts
        ),
    )
