"""Routes of several gateways that lead back to where they began."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.carrying import comes_in, gives, takes
from busplan.plan.route import Route
from busplan.plan.vehicle import Vehicle


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Every ring of routes, once."""
    for ring in _rings(vehicle):
        yield _loop(vehicle, ring)


def endless(vehicle: Vehicle, networks: Collection[str] | None = None) -> tuple[Finding, ...]:
    """The rings on which frames go on for ever: no load and no response time holds on them.

    Of those that touch one of the ``networks``, of all when ``None``.
    """
    rings = (r for r in _rings(vehicle) if _goes_on(r))
    if networks is not None:
        rings = (r for r in rings if any({o.source, o.target} & set(networks) for o in r))
    return tuple(_loop(vehicle, ring) for ring in rings)


def _goes_on(ring: list[Route]) -> bool:
    """Whether every gateway of a ring sends a frame for each that comes; a clock, or a least
    distance, lets no more through than it says."""
    return all(
        r.kind == "message" and r.cycle_ns is None and r.min_distance_ns is None for r in ring
    )


def _rings(vehicle: Vehicle) -> Iterator[list[Route]]:
    """Every ring of routes, once."""
    if not vehicle.routes:
        return
    onward = _onward(vehicle)
    told: set[frozenset[str]] = set()
    for route in vehicle.routes:
        ring = _ring(route.name, onward)
        if ring and frozenset(ring) not in told:
            told.add(frozenset(ring))
            yield [next(r for r in vehicle.routes if r.name == n) for n in ring]


def _onward(vehicle: Vehicle) -> dict[str, list[str]]:
    """The routes that take in what a route gives, by name; a gateway takes in nothing of its own.

    Only routes that carry something count.
    """
    taking: dict[tuple[str, str, str], list[Route]] = {}
    for route in vehicle.routes:
        if any(
            takes(route, s) if route.kind == "signal" else comes_in(s, route)
            for s in vehicle.streams
        ):
            taking.setdefault((route.kind, route.source, route.what), []).append(route)
    return {
        route.name: [
            other.name
            for other in taking.get((route.kind, route.target, route.arrives_as), ())
            if other.through != route.through
            and other.node in (None, route.through)
            and _handed_over(vehicle, route)
        ]
        for route in vehicle.routes
    }


def _handed_over(vehicle: Vehicle, route: Route) -> bool:
    """Whether a signal that a route carries stands in a message of its gateway."""
    return route.kind == "message" or any(gives(route, s) for s in vehicle.streams)


def _ring(start: str, onward: dict[str, list[str]]) -> list[str]:
    """The shortest way from a route back to itself, empty when there is none (breadth first)."""
    came: dict[str, str] = {}
    queue = [start]
    while queue:
        here = queue.pop(0)
        for there in onward.get(here, ()):
            if there == start:
                ring = [here]
                while ring[0] != start:
                    ring.insert(0, came[ring[0]])
                return ring
            if there not in came:
                came[there] = here
                queue.append(there)
    return []


def _loop(vehicle: Vehicle, ring: list[Route]) -> Finding:
    first = ring[0]
    way = [f"{r.source} to {r.target} through {r.through}" for r in ring]
    goes_on = _goes_on(ring)
    return Finding(
        "route-loop",
        Weight.FAULT if goes_on else Weight.CAUTION,
        Where(first.source, first.through, file=vehicle.source, line=first.line),
        f"{first.what} goes round: {', then '.join(way)}.",
        "Each frame goes on for ever, and all networks of the ring fill up."
        if goes_on
        else "The value feeds itself: when its source falls silent, the old one stays and looks "
        "fresh.",
        "Take one of these routes out, or state node in the first, so that it takes in only the "
        "node that the value comes from.",
        (Figure("routes", len(ring)),),
    )
