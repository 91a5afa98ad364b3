"""Routes of several gateways that lead back to where they began."""

from __future__ import annotations

from collections.abc import Iterator

from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.carrying import comes_in, gives, takes
from busplan.plan.route import Route
from busplan.plan.vehicle import Vehicle


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Every ring of routes, once."""
    onward = _onward(vehicle)
    told: set[frozenset[str]] = set()
    for route in vehicle.routes:
        ring = _ring(route.name, onward)
        if ring and frozenset(ring) not in told:
            told.add(frozenset(ring))
            yield _loop(vehicle, [next(r for r in vehicle.routes if r.name == n) for n in ring])


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
    message = first.kind == "message"
    return Finding(
        "route-loop",
        Weight.FAULT if message else Weight.CAUTION,
        Where(first.source, first.through, file=vehicle.source, line=first.line),
        f"{first.what} goes round: {', then '.join(way)}.",
        "Each frame goes on for ever, and all networks of the ring fill up."
        if message
        else "The value feeds itself: when its source falls silent, the old one stays and looks "
        "fresh.",
        "Take one of these routes out, or state node in the first, so that it takes in only the "
        "node that the value comes from.",
        (Figure("routes", len(ring)),),
    )
