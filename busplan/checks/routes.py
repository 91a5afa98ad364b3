"""Routes of the plan that have nothing to carry, or more than one thing for one place."""

from __future__ import annotations

from collections.abc import Iterator

from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.carrying import comes_in, gives, takes
from busplan.plan.route import Route
from busplan.plan.vehicle import Vehicle
from busplan.wording import listing


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Routes without a source, and signal routes without a message to travel on."""
    for route in vehicle.routes:
        if not _comes_in(vehicle, route):
            yield _nothing(
                vehicle,
                route,
                route.source,
                f"nobody sends {route.what} on {route.source}",
                f"Correct the name or the networks of the route, or place the sender of "
                f"{route.what} on {route.source}.",
            )
            continue
        into = f"{route.into} " if route.into else ""
        if route.kind == "signal" and not any(gives(route, s) for s in vehicle.streams):
            yield _nothing(
                vehicle,
                route,
                route.target,
                f"no message {into}that {route.through} sends on {route.target} holds "
                f"{route.arrives_as}",
                f"Name a whole message in the route, or add {route.arrives_as} to a message of "
                f"{route.through} in its definitions for {route.target}.",
            )
    yield from _mixed(vehicle)


def _mixed(vehicle: Vehicle) -> Iterator[Finding]:
    """Several senders whose values a gateway would put into one signal or message."""
    from busplan.timing.gateways import route_sources

    places: dict[tuple[str, str, str, str, str], list[Route]] = {}
    for route in vehicle.routes:
        into = str(route.identifier if route.kind == "message" else route.into)
        place = (route.through, route.target, route.kind, route.arrives_as, into)
        places.setdefault(place, []).append(route)
    for (through, target, kind, what, _), routes in places.items():
        senders: dict[tuple[str, str], str] = {}
        for route in routes:
            for stream in route_sources(vehicle, route):
                # What a gateway forwards whole has its own identifier there, and is its own frame.
                apart = kind == "message" and len(routes) == 1 and route.identifier is None
                if not apart:
                    senders.setdefault((stream.network, stream.node), stream.message.name)
        if len(senders) < 2:
            continue
        told = [f"{node} on {network} ({name})" for (network, node), name in senders.items()]
        yield Finding(
            "route-sources-mixed",
            Weight.CAUTION,
            Where(target, through, file=vehicle.source, line=routes[-1].line),
            f"{through} puts {what} of {len(senders)} senders into one {kind} on {target}: "
            f"{listing(told)}.",
            f"Whoever reads {what} on {target} gets now the one, now the other, and cannot tell "
            "which.",
            f"Give each a {kind} of its own on {target}, or take all routes but one out.",
            (Figure("senders", len(senders)),),
        )


def _comes_in(vehicle: Vehicle, route: Route) -> bool:
    """Whether the route's source network carries what it names.

    A gateway may send on its own signals and messages, but nothing that it has been given.
    """
    taken = (s for s in vehicle.streams if takes(route, s))
    return any(route.kind == "signal" or comes_in(s, route) for s in taken)


def _nothing(vehicle: Vehicle, route: Route, network: str, reason: str, action: str) -> Finding:
    return Finding(
        "route-carries-nothing",
        Weight.CAUTION,
        Where(network, route.through, file=vehicle.source, line=route.line),
        f"The route of {route.what} from {route.source} to {route.target} through "
        f"{route.through} carries nothing: {reason}.",
        f"Whoever counts on {route.what} on {route.target} never gets it.",
        action,
    )
