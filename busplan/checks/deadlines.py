"""Messages and routes that can come too late although the load may look tolerable.

Response times: Davis, Burns, Bril, Lukkien, Real-Time Systems 35:239–272, 2007; see
:mod:`busplan.timing`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from busplan.checks.wording import rate, span
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.paper_text import key_text
from busplan.plan.route import Route
from busplan.plan.vehicle import Stream, Vehicle
from busplan.timing.fixed_point import UNBOUNDED
from busplan.wording import counted, listing

if TYPE_CHECKING:
    from busplan.timing.gateways import RouteTiming, VehicleTiming
    from busplan.timing.response import Delay, NetworkTiming, Response

ONE_ERROR_NS = 60 * 10**9
"""A distance of bus errors so long that one at most falls into any busy period."""


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Deadlines that the worst case misses, or would miss with one bus error."""
    from busplan.timing.gateways import vehicle_timing

    return findings_of(vehicle_timing(vehicle))


def findings_of(timing: VehicleTiming) -> Iterator[Finding]:
    """Deadlines that these response times miss, or would miss with one bus error, and what the
    response times rest on."""
    for network in timing.networks.values():
        yield from _missed(timing, network)
        if network.fault_interval_ns is None:
            yield from _tight(network)
        yield from _by_one_clock(network)
    for route in timing.routes:
        if route.too_late and (route.carrier or route.latency_ns is not None):
            yield _too_late(timing.vehicle, route)
    yield from _delays_not_stated(timing.vehicle)


def _missed(timing: VehicleTiming, network: NetworkTiming) -> Iterator[Finding]:
    late = [r for r in network.missed if r.response_ns is not None]
    never = [r for r in network.missed if r.response_ns is None]
    if not late and not never:
        return
    cure = _cure(timing, network)
    for response in late:
        yield _late(network, response, cure)
    if never:
        yield _never(timing, network, never, cure)


def _late(network: NetworkTiming, response: Response, cure: str) -> Finding:
    stream, deadline = response.stream, response.deadline
    assert response.response_ns is not None
    assert deadline is not None
    waits = [
        f"{d.stream.message.name} ({counted(d.frames, 'frame')})"
        for d in _others(network, response)
    ]
    blocker = response.blocked_by
    before = [f"{blocker.message.name} already on the wire"] if blocker else []
    before += [listing(waits)] if waits else []
    why = "It waits for no other: its own frames take so long."
    if before:
        why = f"In the worst case it waits for {', then '.join(before)}."
    action = f"Give it a more urgent identifier, or make those frames fewer. {cure}"
    if jitter := response.jitter_ns:
        why = f"It may be queued {span(jitter)} late (its jitter). {why if before else ''}".strip()
    if jitter and jitter + response.frame_ns > deadline.ns:
        action = (
            "Queue it more evenly, or correct its jitter or its deadline in the plan: the jitter "
            "alone leaves it no time."
        )
    return Finding(
        "deadline-missed",
        Weight.FAULT,
        _where(stream),
        f"{stream.message.name} of {stream.node} can take {span(response.response_ns)} to get "
        f"through on {stream.network}; its deadline is {span(deadline.ns)} "
        f"({deadline_origin(stream)}).",
        why,
        action,
        (
            Figure("response time", response.response_ns / 1e6, "ms"),
            Figure("deadline", deadline.ms, "ms"),
            Figure("worst-case load", round(100 * network.load, 2), "%"),
        ),
    )


def _never(
    timing: VehicleTiming, network: NetworkTiming, never: list[Response], cure: str
) -> Finding:
    names = [f"{r.stream.node}/{r.stream.message.name}" for r in never]
    why = "In the worst case the frames that go before fill the network, and theirs pile up."
    action = f"Send less on {network.network.name}, or less often. {cure}"
    brought = [r.stream for r in never if timing.inherited_ns.get(r.stream.label) == UNBOUNDED]
    if brought and network.load < 1:
        route = {r.name: r for r in timing.vehicle.routes}
        sources = listing(sorted({route[s.via].source for s in brought if s.via}))
        names_of = listing([f"{s.message.name} of {s.node}" for s in brought])
        why = f"Gateways bring {names_of}, and nothing bounds how many of them come at once."
        action = f"Mend {sources} first, where they come from, and routes that lead round."
    return Finding(
        "deadline-missed",
        Weight.FAULT,
        _where(never[0].stream),
        f"{counted(len(never), 'message')} of {network.network.name} may never get through: "
        f"{listing(names)}.",
        why,
        action,
        (
            Figure("messages", len(never)),
            Figure("worst-case load", round(100 * network.load, 2), "%"),
        ),
    )


def _tight(network: NetworkTiming) -> Iterator[Finding]:
    from busplan.timing.queue_model import Status
    from busplan.timing.solving import solve

    hit = solve(network.model, fault_every=ONE_ERROR_NS).response
    for response, place in zip(network.responses, network.model.messages, strict=True):
        with_error = hit[place]
        headroom, deadline = response.headroom_ns, response.deadline
        if response.status is not Status.PROVEN or headroom is None or headroom < 0:
            continue
        if deadline is None or 0 <= with_error <= deadline.ns:
            continue
        stream = response.stream
        stated = stream.deadline != stream.cycle
        became = f"makes that {span(with_error)}" if with_error >= 0 else "leaves it no bound"
        yield Finding(
            "deadline-tight",
            Weight.CAUTION if stated else Weight.NOTE,
            _where(stream),
            f"{stream.message.name} of {stream.node} gets through on {stream.network} within "
            f"{span(deadline.ns - headroom)}; one bus error {became}, past its deadline of "
            f"{span(deadline.ns)} ({deadline_origin(stream)}).",
            "A bus error costs an error frame and a retransmission; every real network has some.",
            "Give it a more urgent identifier, a later deadline, or fewer frames to wait for.",
            (
                Figure("response time", (deadline.ns - headroom) / 1e6, "ms"),
                Figure("deadline", deadline.ms, "ms"),
                Figure("headroom", headroom / 1e6, "ms"),
            ),
        )


def _too_late(vehicle: Vehicle, timing: RouteTiming) -> Finding:
    route = timing.route
    assert route.deadline_ns is not None
    where = Where(route.target, route.through, file=vehicle.source, line=route.line)
    limit = Figure("deadline", route.deadline_ns / 1e6, "ms")
    path = f"{route.label} from {route.source} to {route.target} through {route.through}"
    if timing.latency_ns is None or timing.carrier is None:
        return Finding(
            "route-too-late",
            Weight.FAULT,
            where,
            f"How long {path} takes has no bound ({timing.reason}); its deadline is "
            f"{span(route.deadline_ns)}.",
            f"Whoever uses {route.arrives_as} on {route.target} may act on a value long past.",
            "Mend the message that the route waits for; see its own finding.",
            (limit,),
        )
    parts = [(timing.before_ns or 0, f"until it is at {route.through}"), (route.delay_ns, "there")]
    parts += [(timing.sampling_ns, f"period of {timing.carrier.stream.message.name}")]
    parts += [(timing.carrier.response_ns or 0, f"on {route.target}")]
    told = listing((f"{span(ns)} {what}" for ns, what in parts if ns), 5)
    longest = max(parts)[1]
    at_once = ", or route a whole message, which the gateway passes on at once"
    if route.kind == "message":
        at_once = ""
        if route.cycle_ns is not None:
            at_once = ", or leave out cycle_ms of the route, so that it is passed on at once"
    action = {
        parts[0][1]: f"Most is lost before {route.through}: send {route.what} more often or more "
        f"urgently on {route.source}",
        parts[1][1]: f"Most is lost in {route.through}: let it handle frames faster",
        parts[2][1]: f"Send {timing.carrier.stream.message.name} more often{at_once}",
        parts[3][1]: f"Give {timing.carrier.stream.message.name} a more urgent identifier on "
        f"{route.target}",
    }[longest]
    return Finding(
        "route-too-late",
        Weight.FAULT,
        where,
        f"{path} can take {span(timing.latency_ns)}; its deadline is {span(route.deadline_ns)}.",
        f"Whoever uses it acts on an old value. The time goes into {told}.",
        f"{action}, or allow a later deadline.",
        (Figure("latency", timing.latency_ns / 1e6, "ms"), limit),
    )


def _delays_not_stated(vehicle: Vehicle) -> Iterator[Finding]:
    """One note a gateway and network it leads to, for routes that say nothing of its delay."""
    silent: dict[tuple[str, str], list[Route]] = {}
    for route in vehicle.routes:
        if not route.delay_stated:
            silent.setdefault((route.through, route.target), []).append(route)
    for (node, target), routes in silent.items():
        yield Finding(
            "delay-not-stated",
            Weight.NOTE,
            Where(target, node, file=vehicle.source, line=routes[0].line),
            f"How long {node} takes to pass on {listing([r.label for r in routes])} to {target} is "
            "not stated: counted as 0 ms.",
            "A real gateway takes some milliseconds, so latencies and response times are too low.",
            "Ask its maker or measure it, and state delay_ms in the route.",
            (Figure("routes", len(routes)),),
        )


def _by_one_clock(network: NetworkTiming) -> Iterator[Finding]:
    """One note for each node whose stated offsets make response times shorter."""
    model, joined = network.model, network.solution.rhythms.joined
    nodes: dict[str, list[Stream]] = {}
    for stream, together in zip(model.streams, joined, strict=True):
        if together:
            nodes.setdefault(stream.node, []).append(stream)
    for node, streams in nodes.items():
        names = listing([s.message.name for s in streams])
        yield Finding(
            "one-clock-assumed",
            Weight.NOTE,
            Where(network.network.name, node),
            f"Response times on {network.network.name} count on it that {node} sends {names} by "
            "one clock, each at the offset that the plan states.",
            "They no longer hold where the firmware starts one of these messages anew by itself, "
            "or sends one of them also on event.",
            f"See to it in the firmware of {node}, or leave [node.{key_text(node)}] offsets out.",
            (Figure("messages", len(streams)),),
        )


def deadline_origin(stream: Stream) -> str:
    """Where a message's deadline comes from, in words."""
    if stream.deadline is None:
        return "none stated"
    if stream.deadline == stream.cycle:
        return f"its cycle time, from the {stream.deadline.origin}"
    return f"from the {stream.deadline.origin}"


def _cure(timing: VehicleTiming, network: NetworkTiming) -> str:
    from busplan.timing.slack import lowest_bit_rate

    name = network.network.name
    found, strangers = lowest_bit_rate(timing.vehicle, name, inherited_ns=timing.inherited_ns)
    if found is None or found <= network.network.bit_rate:
        return f"No standard bit rate would mend {name} as it is planned."
    if strangers:
        return f"{rate(found)} would do, but {listing(strangers)} cannot speak it."
    return f"{rate(found)} would do for {name}, and every part there may speak it."


def _others(network: NetworkTiming, response: Response) -> list[Delay]:
    return [d for d in network.delays(response) if d.stream is not response.stream]


def _where(stream: Stream) -> Where:
    return Where(stream.network, stream.node, stream.message.name)
