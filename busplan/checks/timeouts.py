"""Time-outs of routes that strike although nothing is wrong."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from busplan.checks.wording import span
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.route import Route
from busplan.plan.vehicle import Stream, Vehicle
from busplan.wording import listing

if TYPE_CHECKING:
    from busplan.timing.gateways import RouteTiming, VehicleTiming


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Time-outs of routes, held against the response times."""
    from busplan.timing.gateways import vehicle_timing

    if any(r.timeout_ns is not None for r in vehicle.routes):
        yield from findings_of(vehicle_timing(vehicle))


def findings_of(timing: VehicleTiming) -> Iterator[Finding]:
    """Each route whose time-out is shorter than the worst that its response times allow."""
    from busplan.timing.gateways import route_sources

    for route in timing.routes:
        limit = route.route.timeout_ns
        sources = route_sources(timing.vehicle, route.route)
        if limit is None or not sources:
            continue
        events = [s for s in sources if s.event]
        if events:
            yield _silent(timing.vehicle, route.route, events)
        elif (found := _short(timing.vehicle, route, limit, sources)) is not None:
            yield found


def _silent(vehicle: Vehicle, route: Route, events: list[Stream]) -> Finding:
    names = listing(s.message.name for s in events)
    return Finding(
        "route-timeout-short",
        Weight.CAUTION,
        _where(vehicle, route),
        f"The route of {route.label} to {route.target} times out after "
        f"{span(route.timeout_ns or 0)}, but {names} is sent on event and may be silent for any "
        "time.",
        "The gateway takes a quiet sender for a lost one.",
        "Let the sender repeat the message, or do without a time-out.",
    )


def _short(
    vehicle: Vehicle, timing: RouteTiming, limit: int, sources: tuple[Stream, ...]
) -> Finding | None:
    periods = [s.cycle.ns for s in sources if s.cycle is not None]
    if timing.before_ns is None or not periods:
        return None
    apart = max(periods) + timing.before_ns
    late = max(apart, timing.latency_ns or 0)
    if limit >= late:
        return None
    route = timing.route
    told = f"values can come {span(apart)} apart"
    if late > apart:
        told = f"in the worst case it takes {span(late)} to arrive"
    return Finding(
        "route-timeout-short",
        Weight.CAUTION,
        _where(vehicle, route),
        f"The route of {route.label} to {route.target} times out after {span(limit)}, but {told}.",
        "The time-out strikes although nothing is wrong, and a healthy value is thrown away.",
        f"State a time-out of more than {span(late)}; a lost frame or two need a period each more.",
        (
            Figure("time-out", limit / 1e6, "ms"),
            Figure("values apart", apart / 1e6, "ms"),
            Figure("latency", (timing.latency_ns or 0) / 1e6, "ms"),
        ),
    )


def _where(vehicle: Vehicle, route: Route) -> Where:
    return Where(route.target, route.through, file=vehicle.source, line=route.line)
