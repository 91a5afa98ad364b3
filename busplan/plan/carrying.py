"""What gateways carry: the messages that routes make them send, and how often.

The rules of this file: pure functions over streams and routes. A route of a signal adds nothing
here: it fills a message that the gateway has of its own.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from busplan.definitions.j1939 import split_identifier
from busplan.definitions.model import Message, Origin, Stated
from busplan.frames.identifier import FrameKey
from busplan.plan.route import Route
from busplan.plan.vehicle import Stream


def forwarded(
    streams: Sequence[Stream], routes: Iterable[Route], j1939: Collection[str] = ()
) -> list[Stream]:
    """The streams with those added that message routes carry on, routes in a row included.

    A route carries every message of its name, or those of the node it names; the gateway's own
    goes out on the other network as well. What is already on the target network through the same
    gateway is not added twice, so routes in a circle end; a message that the gateway's own
    definitions have under that name there is taken to be the carried one. ``j1939`` names the
    networks on which 29-bit identifiers have the fields of J1939.
    """
    routes = [r for r in routes if r.kind == "message"]
    result = list(streams)
    own = {(s.network, s.node, s.message.name) for s in result}
    there: set[tuple[str, str, FrameKey]] = set()
    fresh = list(result)
    while fresh:
        added = []
        for route in routes:
            if (route.target, route.through, route.arrives_as) in own:
                continue
            for stream in fresh:
                if not comes_in(stream, route):
                    continue
                carried = _carried(stream, route, route.target in j1939)
                key = (route.through, carried.message.name, carried.key)
                if key not in there:
                    there.add(key)
                    added.append(carried)
        result += added
        fresh = added
    return result


def takes(route: Route, stream: Stream) -> bool:
    """Whether a stream on the network a route comes from holds what the route carries."""
    return (
        stream.network == route.source
        and (route.node is None or stream.node == route.node)
        and _named(route, stream, route.what)
    )


def gives(route: Route, stream: Stream) -> bool:
    """Whether a stream is one by which the gateway sends what the route carries."""
    if (stream.network, stream.node) != (route.target, route.through):
        return False
    if route.kind == "message":
        return stream.via == route.name and stream.message.name == route.arrives_as
    if route.into is not None and stream.message.name != route.into:
        return False
    return _named(route, stream, route.arrives_as)


def _named(route: Route, stream: Stream, name: str) -> bool:
    message = stream.message
    return message.name == name if route.kind == "message" else message.has(name)


def comes_in(stream: Stream, route: Route) -> bool:
    """Whether a route takes this stream in: what a gateway has sent for a route does not return."""
    return takes(route, stream) and (stream.node != route.through or stream.via is None)


def _carried(stream: Stream, route: Route, j1939: bool) -> Stream:
    """A stream as the gateway sends it on."""
    copy = replace(
        stream,
        network=route.target,
        node=route.through,
        message=_renamed(stream.message, route, j1939),
        via=route.name,
        sent_by="copy" if stream.node == route.through else "arrival",
    )
    own = route.min_distance_ns if route.cycle_ns is None else route.cycle_ns
    if own is None:
        return copy
    cycle = Stated(own, Origin.PLAN)
    event = route.cycle_ns is None
    return replace(
        copy, cycle=cycle, deadline=cycle, event=event, jitter_ns=0, offset_ns=None, sent_by="timer"
    )


def _renamed(message: Message, route: Route, j1939: bool) -> Message:
    if route.identifier is None:
        return message if route.renamed is None else replace(message, name=route.renamed)
    extended = route.identifier > 0x7FF if route.extended is None else route.extended
    split = extended and (j1939 or message.j1939 is not None)
    return replace(
        message,
        name=route.arrives_as,
        identifier=route.identifier,
        extended=extended,
        j1939=split_identifier(route.identifier) if split else None,
    )


def paced(streams: Sequence[Stream], routes: Iterable[Route]) -> list[Stream]:
    """Carried streams come as often as their source, unless the plan states their own period.

    A deadline that follows from the period follows it. What a gateway sends on two networks is as
    late on both.
    """
    through = {r.name: r for r in routes}
    result: list[Stream] = []
    for stream in streams:
        route = through.get(stream.via) if stream.via else None
        own = stream.cycle is not None and stream.cycle.origin is Origin.PLAN
        source = None if route is None or own else forwarded_source(result, stream, route)
        if source is not None and route is not None:
            follows = stream.deadline == stream.cycle
            stream = replace(
                stream,
                cycle=source.cycle,
                event=source.event or route.on_change,
                deadline=source.cycle if follows else stream.deadline,
            )
        if source is not None and stream.sent_by == "copy":
            jitter = max(stream.jitter_ns, source.jitter_ns)
            stream = replace(stream, jitter_ns=jitter, offset_ns=source.offset_ns)
        result.append(stream)
    return result


def forwarded_source(streams: Iterable[Stream], stream: Stream, route: Route) -> Stream | None:
    """The stream that a gateway carries on as ``stream``: the same message at its route's source.

    Where the route gives it another identifier, it is the first that the route takes in.
    """
    wanted = FrameKey(route.source, stream.message.extended, stream.message.identifier)
    moved = route.identifier is not None
    taken = (s for s in streams if comes_in(s, route))
    return next((s for s in taken if moved or s.key == wanted), None)
