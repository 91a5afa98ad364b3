"""A plan that exists, as the networks that new parts may join."""

from __future__ import annotations

from collections.abc import Sequence

from busplan.plan.vehicle import Vehicle
from busplan.starting.heard import Lane
from busplan.starting.offers import Offer
from busplan.starting.placing import Group, Instance

_SHARED = 0.5


def standing_groups(vehicle: Vehicle, lanes: Sequence[Lane]) -> list[Group]:
    """One group a network of the plan, in its order: the lane that fits it and its own parts.

    What the plan's messages explain is taken out of a lane, so that new parts are seen in the rest.
    """
    groups = []
    for name in vehicle.networks:
        own = {(s.message.extended, s.message.identifier) for s in vehicle.on(name)}
        lane = _fitting(own, vehicle.networks[name].channels, lanes)
        group = Group(lane)
        for node in vehicle.nodes_on(name):
            port = node.on[name]
            offer = Offer(
                part=node.part.name,
                port=port.name,
                sender=port.sender,
                files=port.files,
                messages=port.messages,
                nodes=(),
                why="in the plan",
            )
            seen = tuple(
                (0, key)
                for s in vehicle.on(name)
                if s.node == node.name
                and (key := (s.message.extended, s.message.identifier)) in (lane or Lane()).seen
            )
            group.instances.append(Instance(offer=offer, seen=seen, why="in the plan"))
        if lane is not None:
            group.lane = _without(lane, own)
        groups.append(group)
    return groups


def _fitting(
    own: set[tuple[bool, int]], channels: Sequence[str], lanes: Sequence[Lane]
) -> Lane | None:
    """The lane that has most of a network's identifiers, or one of its channels and some."""
    best = max(lanes, key=lambda lane: len(own & lane.seen.keys()), default=None)
    if best is None or not own:
        return None
    shared = len(own & best.seen.keys())
    named = bool(set(channels) & set(best.names))
    return best if shared >= (_SHARED * min(len(own), len(best.seen)) if not named else 1) else None


def _without(lane: Lane, own: set[tuple[bool, int]]) -> Lane:
    rest = {k: s for k, s in lane.seen.items() if k not in own}
    return Lane(lane.channels, rest)
