"""Parts that can be moved by a few offsets as a whole, where identifiers alone cannot help.

Offsets are tried only for nodes without which messages could live together, the plan's first and as
few others as can be; whether a network is possible then is the exact search from below, on all
networks of the node. What is found is applied to the plan, which has the last word.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

from busplan.allot.identifiers import bar_of
from busplan.allot.impossible import impossible_sets
from busplan.allot.networks import question
from busplan.allot.wants import IN_TIME, Want, timing_under
from busplan.plan.vehicle import Vehicle
from busplan.timing.fixed_point import UNBOUNDED

MOST_TRIED = 256
"""So many choices of offsets are tried at most."""


@dataclass(frozen=True, slots=True)
class PartMove:
    """A node whose identifiers move by another offset, and what for."""

    node: str
    was: int
    becomes: int
    reason: str


def move_parts(
    vehicle: Vehicle,
    networks: Sequence[str],
    *,
    want: Want = IN_TIME,
    fault_interval_ns: int | None = None,
) -> tuple[PartMove, ...]:
    """The fewest nodes to move so that as many as can be of the networks are possible."""
    timing = timing_under(vehicle, want, fault_interval_ns)
    inherited = timing.inherited_ns
    names = [n for n in networks if not _unbounded(vehicle, n, inherited)]
    bars = {n: (want, bar_of(vehicle, n, want, fault_interval_ns)) for n in names}

    def stuck(tried: Vehicle, name: str) -> bool:
        asked = question(tried, name, inherited, bars[name])
        return asked.impossible(asked.model.messages)

    why: dict[str, str] = {}
    for name in names:
        if stuck(vehicle, name):
            asked = question(vehicle, name, inherited, bars[name])
            for members in impossible_sets(asked):
                streams = [asked.model.streams[i] for i in members]
                shared = len({s.key for s in streams}) < len(streams)
                for s in streams:
                    others = ", ".join(o.node for o in streams if o.node != s.node)
                    what = "an identifier" if shared else "the time"
                    why.setdefault(s.node, f"{name}: shares {what} with {others}")
    nodes = [n for n in why if isinstance(vehicle.nodes[n].part.identifiers, tuple)]
    touched = [n for n in names if any(n in vehicle.nodes[m].on for m in nodes)]
    best: tuple[int, Mapping[str, int]] = (sum(stuck(vehicle, n) for n in touched), {})
    for offsets in _choices(vehicle, nodes):
        if best[0] == 0:
            break
        tried = moved(vehicle, offsets)
        left = sum(stuck(tried, n) for n in touched)
        if left < best[0]:
            best = (left, offsets)
    return tuple(
        PartMove(node, vehicle.nodes[node].identifier_offset, offset, why[node])
        for node, offset in best[1].items()
    )


def _unbounded(vehicle: Vehicle, name: str, inherited: Mapping[str, int]) -> bool:
    return any(inherited.get(s.label, 0) == UNBOUNDED for s in vehicle.on(name))


def _choices(vehicle: Vehicle, nodes: Sequence[str]) -> Iterator[dict[str, int]]:
    """Offsets of nodes that differ from the plan's, those that move fewest nodes first."""
    rules = []
    for node in nodes:
        rule = vehicle.nodes[node].part.identifiers
        assert isinstance(rule, tuple)
        rules.append(rule)
    found = []
    for number, offsets in enumerate(product(*rules)):
        if number >= MOST_TRIED:
            break
        pairs = zip(nodes, offsets, strict=True)
        found.append({n: o for n, o in pairs if o != vehicle.nodes[n].identifier_offset})
    yield from sorted((f for f in found if f), key=len)


def moved(vehicle: Vehicle, offsets: Mapping[str, int]) -> Vehicle:
    """The vehicle whose nodes send by these offsets; single identifiers that the plan states stay.

    What gateways carry on keeps its identifier here.
    """
    streams = []
    for s in vehicle.streams:
        by = offsets.get(s.node, 0) - vehicle.nodes[s.node].identifier_offset
        if s.node in offsets and s.own and by and not vehicle.nodes[s.node].identifiers:
            message = replace(s.message, identifier=s.message.identifier + by)
            s = replace(s, message=message)
        streams.append(s)
    return replace(vehicle, streams=tuple(streams))
