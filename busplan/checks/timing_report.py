"""The proven response times of a plan together: networks, slack, routes, gateways, findings.

The rules of this file: nothing is computed twice. Response times, slack and routes are those of
:mod:`busplan.timing`, findings those of :mod:`busplan.checks.deadlines`; times [ns] become
milliseconds in tables and stay nanoseconds in the document.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from busplan.checks import payloads, timeouts
from busplan.checks.deadlines import findings_of
from busplan.checks.document import judgement
from busplan.checks.planned_load import network_loads, periods_missing
from busplan.checks.route_ways import endless
from busplan.findings import Finding, by_weight, summary_line
from busplan.plan.select import select_networks
from busplan.plan.vehicle import Vehicle
from busplan.tables import Table, html_of, unit
from busplan.timing.gateways import (
    GatewayLoad,
    RouteTiming,
    VehicleTiming,
    gateway_loads,
    vehicle_timing,
)
from busplan.timing.response import NetworkTiming, Response, with_faults
from busplan.timing.slack import Slack, network_slack
from busplan.wording import one_line

if TYPE_CHECKING:
    import pandas as pd

BASIS = (
    "worst case: every frame has the most stuff bits, and all that is more urgent is queued at "
    "once just after the longest less urgent frame has started (Davis et al., Real-Time Systems "
    "35:239-272, 2007)"
)
_MOST_WAITED_FOR = 3


@dataclass(frozen=True, slots=True)
class MessageRow:
    """One message's worst case; ``deadline_is`` says what its deadline follows from.

    ``waits_for``: the longest less urgent frame, then what adds most, ``4x`` for four frames of it.
    """

    network: str
    identifier: str
    message: str
    node: str
    status: str
    response_ms: float | None = field(metadata=unit("ms"))
    deadline_ms: float | None = field(metadata=unit("ms"))
    deadline_is: str | None
    headroom_ms: float | None = field(metadata=unit("ms"))
    late: bool
    jitter_ms: float = field(metadata=unit("ms"))
    fifo: bool
    blocked_by: str | None
    waits_for: str


@dataclass(frozen=True, slots=True)
class NetworkRow:
    """One network: worst-case load, what is late, its slack, and the tightest message.

    ``growth`` as in :class:`busplan.timing.slack.Slack`; the tightest message has no response time
    when there is no bound for it.
    """

    network: str
    load: float
    messages: int
    late: int
    not_analysed: int
    growth: float | None
    limited_by: str | None
    lowest_bit_rate: int | None = field(metadata=unit("bit/s"))
    not_spoken_by: tuple[str, ...]
    least_fault_interval_ms: float | None = field(metadata=unit("ms"))
    assumed_fault_interval_ms: float | None = field(metadata=unit("ms"))
    tightest: str | None
    tightest_response_ms: float | None = field(metadata=unit("ms"))
    tightest_deadline_ms: float | None = field(metadata=unit("ms"))


@dataclass(frozen=True, slots=True)
class RouteRow:
    """One route from end to end, and what its latency is made of."""

    route: str
    what: str
    source: str
    target: str
    through: str
    latency_ms: float | None = field(metadata=unit("ms"))
    deadline_ms: float | None = field(metadata=unit("ms"))
    headroom_ms: float | None = field(metadata=unit("ms"))
    late: bool
    reason: str
    after: tuple[str, ...]
    before_ms: float | None = field(metadata=unit("ms"))
    delay_ms: float = field(metadata=unit("ms"))
    sampling_ms: float = field(metadata=unit("ms"))
    onward_ms: float | None = field(metadata=unit("ms"))


@dataclass(frozen=True, repr=False)
class TimingReport:
    """Response times of a plan's networks, or of those chosen, with all that follows from them."""

    vehicle: Vehicle
    networks: tuple[NetworkTiming, ...]
    slacks: tuple[Slack, ...]
    routes: tuple[RouteTiming, ...]
    gateways: tuple[GatewayLoad, ...]
    findings: tuple[Finding, ...]

    def __repr__(self) -> str:
        lines = [f"<TimingReport of {self.vehicle.label!r}: {summary_line(self.findings)}>"]
        lines += [
            f"{'#' if one.missed else '.'} {one.network.name}: {len(one.missed)} of "
            f"{len(one.responses)} late, {len(one.unproven)} not analysed"
            for one in self.networks
        ]
        return "\n".join(map(one_line, lines))

    def _repr_html_(self) -> str:
        return html_of(f"{self.vehicle.label}: response times", self.network_table().to_frame())

    def message_table(self) -> Table[MessageRow]:
        """One row a message, network by network in order of arbitration."""
        rows = (_message_row(one, r) for one in self.networks for r in one.responses)
        return Table("worst-case response times", MessageRow, tuple(rows))

    def network_table(self) -> Table[NetworkRow]:
        """One row a network."""
        rows = map(_network_row, self.networks, self.slacks)
        return Table("response times by network", NetworkRow, tuple(rows))

    def route_table(self) -> Table[RouteRow]:
        """One row a route that begins or ends on one of the networks."""
        return Table("routes, end to end", RouteRow, tuple(map(_route_row, self.routes)))

    def gateway_table(self) -> Table[GatewayLoad]:
        """One row a gateway and network."""
        return Table("gateways", GatewayLoad, self.gateways)

    def to_frame(self) -> pd.DataFrame:
        """:meth:`message_table` as a pandas ``DataFrame``."""
        return self.message_table().to_frame()

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON, every delay of every message included."""
        networks = zip(self.networks, self.slacks, strict=True)
        told = {
            "basis": BASIS,
            "networks": [_network_dict(one, slack) for one, slack in networks],
            "routes": [_route_dict(r) for r in self.routes],
            "gateways": [
                {
                    "node": g.node,
                    "network": g.network,
                    "taken_per_s": g.taken_per_s,
                    "sent_per_s": g.sent_per_s,
                    "unknown": g.unknown,
                }
                for g in self.gateways
            ],
        }
        return judgement(self.vehicle, told, self.findings)


def timing_report(
    vehicle: Vehicle,
    networks: Iterable[str] | None = None,
    *,
    fault_interval_ns: int | None = None,
) -> TimingReport:
    """Response times of the ``networks`` named, of all when ``None``.

    ``fault_interval_ns`` assumes a bus error on every network each so often [ns], instead of what
    the plan states. :class:`UsageError` for a network that the plan has not.
    """
    chosen = select_networks(vehicle, networks)
    if fault_interval_ns is not None:
        vehicle = with_faults(vehicle, fault_interval_ns)
    timed = vehicle_timing(vehicle)
    slacks = (network_slack(vehicle, n, inherited_ns=timed.inherited_ns) for n in chosen)
    return TimingReport(
        vehicle=vehicle,
        networks=tuple(timed.networks[n] for n in chosen),
        slacks=tuple(slacks),
        routes=tuple(r for r in timed.routes if {r.route.source, r.route.target} & set(chosen)),
        gateways=tuple(g for g in gateway_loads(vehicle) if g.network in chosen),
        findings=(
            *endless(vehicle, chosen),
            *by_weight(f for f in _findings(timed) if f.where.network in chosen),
            *vehicle.cautions,
        ),
    )


def _findings(timed: VehicleTiming) -> Iterator[Finding]:
    """What the response times show, and what they rest on that nobody states."""
    yield from findings_of(timed)
    yield from timeouts.findings_of(timed)
    for load in network_loads(timed.vehicle).values():
        if load.unstated:
            yield periods_missing(load)
    yield from (f for f in payloads.check(timed.vehicle) if f.code == "sent-in-parts")


def tightest(one: NetworkTiming) -> Response | None:
    """The message that uses most of its deadline; one that is late and has no bound before all."""
    never = next((r for r in one.missed if r.response_ns is None), None)
    if never is not None:
        return never
    rated = [
        (r.response_ns / r.deadline.ns, r.stream.message.name, r.response_ns, -place, r)
        for place, r in enumerate(one.responses)
        if r.response_ns is not None and r.deadline is not None
    ]
    return max(rated, key=lambda rank: rank[:-1])[-1] if rated else None


def _ms(ns: int | None) -> float | None:
    return None if ns is None else ns / 1e6


def _message_row(one: NetworkTiming, response: Response) -> MessageRow:
    stream, deadline = response.stream, response.deadline
    follows = None
    if deadline is not None:
        own = "least distance" if stream.event else "cycle time"
        follows = own if deadline == stream.cycle else "plan"
    return MessageRow(
        network=one.network.name,
        identifier=stream.message.label,
        message=stream.message.name,
        node=stream.node,
        status=str(response.status),
        response_ms=_ms(response.response_ns),
        deadline_ms=None if deadline is None else deadline.ns / 1e6,
        deadline_is=follows,
        headroom_ms=_ms(response.headroom_ns),
        late=response.missed,
        jitter_ms=response.jitter_ns / 1e6,
        fifo=response.fifo,
        blocked_by=response.blocked_by.label if response.blocked_by else None,
        waits_for=_waits_for(one, response),
    )


def _waits_for(one: NetworkTiming, response: Response) -> str:
    names = [response.blocked_by.message.name] if response.blocked_by else []
    others = [d for d in one.delays(response) if d.stream is not response.stream]
    names += [f"{d.frames}x {d.stream.message.name}" for d in others[:_MOST_WAITED_FOR]]
    return ", ".join(names)


def _network_row(one: NetworkTiming, slack: Slack) -> NetworkRow:
    tight = tightest(one)
    return NetworkRow(
        network=one.network.name,
        load=one.load,
        messages=len(one.responses),
        late=len(one.missed),
        not_analysed=len(one.unproven),
        growth=slack.growth,
        limited_by=slack.limited_by.label if slack.limited_by else None,
        lowest_bit_rate=slack.lowest_bit_rate,
        not_spoken_by=slack.not_spoken_by,
        least_fault_interval_ms=_ms(slack.fault_interval_ns),
        assumed_fault_interval_ms=_ms(one.fault_interval_ns),
        tightest=tight.stream.message.name if tight else None,
        tightest_response_ms=_ms(tight.response_ns) if tight else None,
        tightest_deadline_ms=tight.deadline.ns / 1e6 if tight and tight.deadline else None,
    )


def _route_row(timing: RouteTiming) -> RouteRow:
    route = timing.route
    return RouteRow(
        route=route.name,
        what=route.label,
        source=route.source,
        target=route.target,
        through=route.through,
        latency_ms=_ms(timing.latency_ns),
        deadline_ms=_ms(route.deadline_ns),
        headroom_ms=_ms(timing.headroom_ns),
        late=timing.too_late,
        reason=timing.reason,
        after=timing.after,
        before_ms=_ms(timing.before_ns),
        delay_ms=route.delay_ns / 1e6,
        sampling_ms=timing.sampling_ns / 1e6,
        onward_ms=_ms(timing.carrier.response_ns) if timing.carrier else None,
    )


def _network_dict(one: NetworkTiming, slack: Slack) -> dict[str, Any]:
    return {
        "network": one.network.name,
        "bit_rate": one.network.bit_rate,
        "data_bit_rate": one.network.data_bit_rate,
        "worst_load": one.load,
        "fault_interval_ns": one.fault_interval_ns,
        "slack": {
            "growth": slack.growth,
            "limited_by": slack.limited_by.label if slack.limited_by else None,
            "lowest_bit_rate": slack.lowest_bit_rate,
            "not_spoken_by": list(slack.not_spoken_by),
            "least_fault_interval_ns": slack.fault_interval_ns,
        },
        "messages": [_message_dict(one, r) for r in one.responses],
    }


def _message_dict(one: NetworkTiming, response: Response) -> dict[str, Any]:
    stream, deadline = response.stream, response.deadline
    return {
        "identifier": stream.message.label,
        "message": stream.message.name,
        "node": stream.node,
        "via": stream.via,
        "status": str(response.status),
        "response_ns": response.response_ns,
        "deadline_ns": None if deadline is None else deadline.ns,
        "deadline_origin": None if deadline is None else str(deadline.origin),
        "headroom_ns": response.headroom_ns,
        "late": response.missed,
        "frame_ns": response.frame_ns,
        "jitter_ns": response.jitter_ns,
        "fifo": response.fifo,
        "blocked_by": response.blocked_by.label if response.blocked_by else None,
        "blocking_ns": response.blocking_ns,
        "instance": response.instance,
        "delays": [
            {"message": d.stream.label, "frames": d.frames, "ns": d.ns}
            for d in one.delays(response)
        ],
    }


def _route_dict(timing: RouteTiming) -> dict[str, Any]:
    route = timing.route
    return {
        "route": route.name,
        "kind": route.kind,
        "what": route.what,
        "as": route.arrives_as,
        "from": route.source,
        "to": route.target,
        "through": route.through,
        "latency_ns": timing.latency_ns,
        "deadline_ns": route.deadline_ns,
        "headroom_ns": timing.headroom_ns,
        "late": timing.too_late,
        "reason": timing.reason,
        "before_ns": timing.before_ns,
        "after": list(timing.after),
        "delay_ns": route.delay_ns,
        "sampling_ns": timing.sampling_ns,
        "source": timing.source.stream.label if timing.source else None,
        "carrier": timing.carrier.stream.label if timing.carrier else None,
    }
