"""Routes of the plan that have nothing to carry, or more than one thing for one place."""

from __future__ import annotations

from collections.abc import Iterator

from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.vehicle import Route, Vehicle
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
        elif route.kind == "signal" and not _goes_out(vehicle, route):
            yield _nothing(
                vehicle,
                route,
                route.target,
                f"no message that {route.through} sends on {route.target} holds {route.what}",
                f"Name a whole message in the route, or add {route.what} to a message of "
                f"{route.through} in its definitions for {route.target}.",
            )
    yield from _mixed(vehicle)


def _mixed(vehicle: Vehicle) -> Iterator[Finding]:
    """Several senders whose values a gateway would put into one signal or message."""
    from busplan.timing.gateways import route_sources

    places: dict[tuple[str, str, str, str], list[Route]] = {}
    for route in vehicle.routes:
        places.setdefault((route.through, route.target, route.kind, route.what), []).append(route)
    for (through, target, kind, what), routes in places.items():
        senders: dict[tuple[str, str], str] = {}
        for route in routes:
            for stream in route_sources(vehicle, route):
                # What a gateway forwards whole has its own identifier there, and is its own frame.
                apart = kind == "message" and len(routes) == 1
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

    A gateway may send on its own signals, but forwards only other nodes' whole messages.
    """
    for stream in vehicle.streams:
        if stream.network != route.source:
            continue
        if route.kind == "signal" and stream.message.has(route.what):
            return True
        if stream.message.name == route.what and stream.node != route.through:
            return True
    return False


def _goes_out(vehicle: Vehicle, route: Route) -> bool:
    return any(
        stream.network == route.target
        and stream.node == route.through
        and stream.message.has(route.what)
        for stream in vehicle.streams
    )


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
