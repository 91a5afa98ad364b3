"""Proven response times from Python."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from busplan.errors import UsageError
from busplan.face.findings import Findings
from busplan.face.given import a_number, a_vehicle, names
from busplan.face.showing import clean, frame_of, html_of

if TYPE_CHECKING:
    from pandas import DataFrame

    from busplan.plan.vehicle import Vehicle
    from busplan.timing.gateways import RouteTiming
    from busplan.timing.response import NetworkTiming, Response
    from busplan.timing.slack import Slack

Rows = Literal["messages", "networks", "routes"]

_MESSAGE = {
    "network": "",
    "identifier": "",
    "message": "",
    "node": "",
    "status": "",
    "response_ms": "ms",
    "deadline_ms": "ms",
    "headroom_ms": "ms",
    "late": "",
    "jitter_ms": "ms",
    "blocked_by": "",
}
_NETWORK = {
    "network": "",
    "load": "",
    "messages": "",
    "late": "",
    "not_analysed": "",
    "growth": "",
    "limited_by": "",
    "lowest_bit_rate": "bit/s",
    "least_fault_interval_ms": "ms",
}
_ROUTE = {
    "route": "",
    "what": "",
    "from": "",
    "to": "",
    "through": "",
    "latency_ms": "ms",
    "deadline_ms": "ms",
    "too_late": "",
    "reason": "",
}


@dataclass(frozen=True, eq=False, repr=False)
class ResponseTimes:
    """Worst-case response times, routes from end to end, and how far each network can grow.

    ``networks`` (:class:`busplan.timing.response.NetworkTiming`) and ``slacks``
    (:class:`busplan.timing.slack.Slack`) by name, ``routes`` that touch these networks, and
    ``findings``: what comes too late or could. All that is proven holds for what the plan states; a
    message without a period has no bound and is told as not analysed.
    """

    vehicle: str
    networks: Mapping[str, NetworkTiming]
    slacks: Mapping[str, Slack]
    routes: tuple[RouteTiming, ...]
    findings: Findings

    def to_frame(self, rows: Rows = "messages") -> DataFrame:
        """One row a message (in order of arbitration), network or route; no bound is NaN."""
        if rows == "messages":
            each = [_message(r) for one in self.networks.values() for r in one.responses]
            return frame_of(each, _MESSAGE)
        if rows == "networks":
            both = [_network(one, self.slacks[name]) for name, one in self.networks.items()]
            return frame_of(both, _NETWORK)
        if rows == "routes":
            return frame_of([_route(r) for r in self.routes], _ROUTE)
        raise UsageError(f'rows is "messages", "networks" or "routes", not {rows!r}')

    def __repr__(self) -> str:
        lines = [f"<ResponseTimes of {self.vehicle}>"]
        lines += [
            f"{'#' if one.missed else '.'} {name}: {len(one.missed)} of {len(one.responses)} late, "
            f"{len(one.unproven)} not analysed, load {one.load:.1%}"
            for name, one in self.networks.items()
        ]
        return "\n".join(map(clean, lines))

    def _repr_html_(self) -> str:
        return html_of(f"{self.vehicle}: response times", self.to_frame("networks"))


def _ms(ns: int | None) -> float | None:
    return None if ns is None else ns / 1e6


def _message(one: Response) -> dict[str, object]:
    stream = one.stream
    return {
        "network": stream.network,
        "identifier": stream.message.label,
        "message": stream.message.name,
        "node": stream.node,
        "status": str(one.status),
        "response_ms": _ms(one.response_ns),
        "deadline_ms": None if one.deadline is None else one.deadline.ms,
        "headroom_ms": _ms(one.headroom_ns),
        "late": one.missed,
        "jitter_ms": _ms(one.jitter_ns),
        "blocked_by": one.blocked_by.label if one.blocked_by else None,
    }


def _network(one: NetworkTiming, slack: Slack) -> dict[str, object]:
    return {
        "network": one.network.name,
        "load": one.load,
        "messages": len(one.responses),
        "late": len(one.missed),
        "not_analysed": len(one.unproven),
        "growth": slack.growth,
        "limited_by": slack.limited_by.label if slack.limited_by else None,
        "lowest_bit_rate": slack.lowest_bit_rate,
        "least_fault_interval_ms": _ms(slack.fault_interval_ns),
    }


def _route(one: RouteTiming) -> dict[str, object]:
    route = one.route
    return {
        "route": route.name,
        "what": route.what,
        "from": route.source,
        "to": route.target,
        "through": route.through,
        "latency_ms": _ms(one.latency_ns),
        "deadline_ms": _ms(route.deadline_ns),
        "too_late": one.too_late,
        "reason": one.reason,
    }


def timing(
    vehicle: Vehicle,
    *,
    networks: Iterable[str] | str | None = None,
    fault_interval_ms: float | None = None,
) -> ResponseTimes:
    """The proven worst-case response time of every message, of all networks or those named.

    ``fault_interval_ms`` assumes a bus error on every network each so many ms, instead of what the
    plan states.

    >>> v = busplan.load_plan("as_built.toml")
    >>> timed = busplan.timing(v)
    >>> timed.to_frame().attrs["units"]["response_ms"]
    'ms'
    >>> bool(timed.to_frame()["late"].any())
    False
    """
    from busplan.checks.deadlines import findings_of
    from busplan.findings import by_weight
    from busplan.plan.select import select_networks
    from busplan.timing.gateways import vehicle_timing
    from busplan.timing.response import with_faults
    from busplan.timing.slack import network_slack

    chosen = select_networks(a_vehicle(vehicle, "timing"), names(networks, "networks"))
    if fault_interval_ms is not None:
        interval = a_number(fault_interval_ms, "fault_interval_ms", 0.001, 1e9)
        vehicle = with_faults(vehicle, round(interval * 1e6))
    timed = vehicle_timing(vehicle)
    return ResponseTimes(
        vehicle.name,
        {n: timed.networks[n] for n in chosen},
        {n: network_slack(vehicle, n, inherited_ns=timed.inherited_ns) for n in chosen},
        tuple(r for r in timed.routes if {r.route.source, r.route.target} & set(chosen)),
        Findings(by_weight(f for f in findings_of(timed) if f.where.network in chosen)),
    )
