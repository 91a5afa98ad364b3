"""Routes of the plan that have nothing to carry."""

from __future__ import annotations

from collections.abc import Iterator

from busplan.findings import Finding, Weight, Where
from busplan.plan.vehicle import Route, Vehicle


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
