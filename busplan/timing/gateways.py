"""Across gateways: response times of all networks together, and how long each route takes.

The rules of this file:

* A gateway that forwards a message unchanged queues it on the next network as soon as it has
  handled it, at most its delay after the frame has arrived. How late a frame can be on the first
  network becomes jitter on the next one; response times and jitters are iterated from zero until
  nothing changes, over all networks (holistic analysis: Tindell and Clark, Microprocessing and
  Microprogramming 40:117–134, 1994, from memory).
* A route's latency is the source's response time, the gateway's delay and the response time on the
  next network. A signal in the gateway's own message, and a message that the gateway sends by a
  clock of its own, can just have missed one: that message's period is added. What the gateway sends
  on two networks by itself starts there.
* A route that goes on where another ended starts with the other's latency, so a latency counts
  from the first sender.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from busplan.plan.carrying import gives, takes
from busplan.plan.route import Route
from busplan.plan.vehicle import Network, Stream, Vehicle
from busplan.timing.fixed_point import UNBOUNDED
from busplan.timing.queue_model import Status
from busplan.timing.response import NetworkTiming, Response, response_times
from busplan.timing.solving import HORIZON_NS
from busplan.wire.lengths import INTERMISSION, duration_ns, frames_of, message_bits
from busplan.wording import listing


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteTiming:
    """How long a route takes in the worst case. All times [ns].

    ``source`` is the slowest message that feeds the route, ``None`` when the gateway sends the
    value itself on the source network; ``before_ns`` the time until it has arrived: its response
    time, or the latency of the routes ``after`` which this one goes on. ``carrier`` is the
    message on the target network; ``sampling_ns`` its period when it is the gateway's own.
    ``latency_ns`` is ``None`` when there is no bound, and ``reason`` then says why.
    """

    route: Route
    source: Response | None
    carrier: Response | None
    before_ns: int | None
    after: tuple[str, ...]
    sampling_ns: int
    latency_ns: int | None
    reason: str

    @property
    def headroom_ns(self) -> int | None:
        """Deadline minus latency [ns]; negative when too late, ``None`` when unknown."""
        if self.latency_ns is None or self.route.deadline_ns is None:
            return None
        return self.route.deadline_ns - self.latency_ns

    @property
    def too_late(self) -> bool:
        """Whether the route has a deadline that the worst case misses or cannot be held to."""
        if self.route.deadline_ns is None:
            return False
        headroom = self.headroom_ns
        return headroom is None or headroom < 0


@dataclass(frozen=True, slots=True)
class GatewayLoad:
    """What a gateway's routes make it take in and send on one network.

    Rates [frame/s]; ``unknown`` counts messages that state no period and so are in neither rate.
    """

    node: str
    network: str
    taken_per_s: float
    sent_per_s: float
    unknown: int


@dataclass(frozen=True, repr=False)
class VehicleTiming:
    """Response times on every network, consistent over gateways."""

    vehicle: Vehicle
    networks: Mapping[str, NetworkTiming]
    inherited_ns: Mapping[str, int]
    """Jitter [ns] that each forwarded message, by label, brings to its network."""

    def __repr__(self) -> str:
        networks = listing(map(repr, self.networks.values()), 8)
        return f"<VehicleTiming of {self.vehicle.name!r}: {networks}>"

    @cached_property
    def routes(self) -> tuple[RouteTiming, ...]:
        """Every route of the plan, in its order."""
        found: dict[str, RouteTiming] = {}
        for route in self.vehicle.routes:
            _time_route(self, route, found, ())
        return tuple(found[r.name] for r in self.vehicle.routes)

    @cached_property
    def by_label(self) -> Mapping[str, Response]:
        """Each stream's response, by the stream's label."""
        return {r.stream.label: r for n in self.networks.values() for r in n.responses}


def vehicle_timing(vehicle: Vehicle) -> VehicleTiming:
    """Response times of the whole vehicle, with the jitter that gateways pass on."""
    inherited: dict[str, int] = {}
    timings: dict[str, NetworkTiming] = {}
    due = set(vehicle.networks)
    while due:
        for name in due:
            timings[name] = response_times(vehicle, name, inherited_ns=inherited)
        grown = _inherited(vehicle, timings)
        due = {
            s.network
            for s in vehicle.streams
            if s.forwarded and grown.get(s.label, 0) != inherited.get(s.label, 0)
        }
        inherited = grown
    networks = {name: timings[name] for name in vehicle.networks}
    return VehicleTiming(vehicle, networks, inherited)


def gateway_loads(vehicle: Vehicle) -> tuple[GatewayLoad, ...]:
    """What each gateway takes in and sends for its routes, network by network, in plan order."""
    found = []
    for node in dict.fromkeys(r.through for r in vehicle.routes):
        taken: dict[str, dict[str, Stream]] = {}
        sent: dict[str, dict[str, Stream]] = {}
        for route in vehicle.routes:
            if route.through == node:
                for stream in route_sources(vehicle, route):
                    taken.setdefault(route.source, {})[stream.label] = stream
                for stream in route_carriers(vehicle, route):
                    sent.setdefault(route.target, {})[stream.label] = stream
        for network in vehicle.networks:
            into = tuple(taken.get(network, {}).values())
            out = tuple(sent.get(network, {}).values())
            if into or out:
                unknown = sum(s.cycle is None for s in (*into, *out))
                found.append(GatewayLoad(node, network, _rate(into), _rate(out), unknown))
    return tuple(found)


def route_sources(vehicle: Vehicle, route: Route) -> tuple[Stream, ...]:
    """The messages of other nodes that feed a route on its source network."""
    return tuple(s for s in vehicle.streams if s.node != route.through and takes(route, s))


def route_carriers(vehicle: Vehicle, route: Route) -> tuple[Stream, ...]:
    """The gateway's messages that carry a route on its target network."""
    return tuple(s for s in vehicle.streams if gives(route, s))


def _rate(streams: Iterable[Stream]) -> float:
    return sum(1e9 / s.cycle.ns for s in streams if s.cycle)


def _inherited(vehicle: Vehicle, timings: Mapping[str, NetworkTiming]) -> dict[str, int]:
    """Jitter of every forwarded message [ns], as the response times at hand make it."""
    routes = {r.name: r for r in vehicle.routes}
    responses = {r.stream.label: r for t in timings.values() for r in t.responses}
    found: dict[str, int] = {}
    for stream in vehicle.streams:
        if not stream.forwarded or stream.via not in routes:
            continue
        route = routes[stream.via]
        worst = 0
        for source in route_sources(vehicle, route):
            response = responses[source.label]
            if response.status is Status.OVERLOAD:
                worst = UNBOUNDED
                break
            if response.response_ns is not None:
                before = response.jitter_ns - source.jitter_ns
                least = _shortest_ns(source, vehicle.networks[source.network])
                worst = max(worst, before + response.response_ns - least + route.delay_ns)
        found[stream.label] = UNBOUNDED if worst > HORIZON_NS else worst
    return found


def _shortest_ns(stream: Stream, network: Network) -> int:
    """Least time from queueing to reception [ns]: no stuff bits, no waiting, no intermission."""
    nominal = message_bits(frames_of(stream.message)[0])[0]
    bits = nominal._replace(arbitration=nominal.arbitration - INTERMISSION)
    return duration_ns(bits, network.bit_rate, network.data_bit_rate)


def _time_route(
    timing: VehicleTiming, route: Route, found: dict[str, RouteTiming], above: tuple[str, ...]
) -> RouteTiming:
    """Time a route, those it goes on after first; ``above`` are the routes that wait for it."""
    if route.name in found:
        return found[route.name]
    above = (*above, route.name)
    sources = route_sources(timing.vehicle, route)
    carriers = [timing.by_label[s.label] for s in route_carriers(timing.vehicle, route)]
    before: int | None = 0
    source: Response | None = None
    after: tuple[str, ...] = ()
    for stream in sources:
        ns, names = _arrival(timing, stream, route, found, above)
        if source is None or ns is None or (before is not None and ns > before):
            before, after, source = ns, names, timing.by_label[stream.label]
        if ns is None:
            break
    sampling = 0
    onward: int | None = 0
    carrier: Response | None = None
    for response in carriers:
        cycle = response.stream.cycle
        period = cycle.ns if cycle and _waits(response.stream) else 0
        time = response.response_ns
        if carrier is None or time is None or period + time > sampling + (onward or 0):
            carrier, sampling, onward = response, period, time
        if time is None:
            break
    reason = ""
    latency: int | None = None
    if not any(takes(route, s) for s in timing.vehicle.streams):
        reason = f"nobody sends {route.what} on {route.source}"
    elif carrier is None:
        reason = f"{route.through} sends no message with {route.arrives_as} on {route.target}"
    elif before is None or onward is None:
        late = carrier if onward is None or source is None else source
        reason = f"{late.stream.message.name} on {late.stream.network}: {late.status.value}"
        if late.status is Status.PROVEN:
            reason = f"the route before it has no bound: {', '.join(after)}"
    else:
        latency = before + route.delay_ns + sampling + onward
    result = RouteTiming(
        route=route,
        source=source,
        carrier=carrier,
        before_ns=before,
        after=after,
        sampling_ns=sampling,
        latency_ns=latency,
        reason=reason,
    )
    found[route.name] = result
    return result


def _waits(stream: Stream) -> bool:
    """Whether what is carried waits for a message that the gateway sends by a clock of its own."""
    return stream.via is None or stream.sent_by == "timer"


def _arrival(
    timing: VehicleTiming,
    stream: Stream,
    route: Route,
    found: dict[str, RouteTiming],
    above: tuple[str, ...],
) -> tuple[int | None, tuple[str, ...]]:
    """When a source's frame or value has arrived at the gateway [ns], and after which routes."""
    for other in timing.vehicle.routes:
        goes_on = (
            stream.via == other.name
            if stream.via
            else (
                route.kind == "signal"
                and other.kind == "signal"
                and (other.arrives_as, other.target, other.through)
                == (route.what, route.source, stream.node)
                and gives(other, stream)
            )
        )
        if goes_on and other.name not in above:
            before = _time_route(timing, other, found, above)
            return before.latency_ns, (*before.after, other.name)
    return timing.by_label[stream.label].response_ns, ()
