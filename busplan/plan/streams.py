"""What is sent and needed where: messages as placed, and their timing.

The rules of this file: pure functions from parts and placements to streams and needs; identifiers
are moved here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from busplan.definitions.j1939 import split_identifier, with_source
from busplan.definitions.model import Message, Origin, Signal, Stated
from busplan.frames.identifier import FrameKey
from busplan.plan.bounds import USUAL_BOUNDS, MessageBounds
from busplan.plan.vehicle import UNSTATED_PACE, Need, Network, Node, Port, SessionPace, Stream


@dataclass(frozen=True, slots=True)
class Timing:
    """What a plan states about one message; ``None`` where it says nothing. Times [ns].

    ``segmented`` is :attr:`Message.segmented`, ``optional`` true or the names of signals.
    """

    cycle_ns: int | None = None
    min_distance_ns: int | None = None
    deadline_ns: int | None = None
    jitter_ns: int = 0
    segmented: Literal["normal", "extended"] | None = None
    pace: SessionPace = UNSTATED_PACE
    optional: bool | tuple[str, ...] = False
    bounds: MessageBounds = USUAL_BOUNDS


@dataclass(frozen=True, slots=True)
class Placement:
    """One port of a node on one network."""

    node: Node
    network: Network
    port: Port


def placed(message: Message, node: Node, network: Network) -> Message:
    """The message as the node sends it: with the identifier that the plan states for it, or else
    the offset added and the J1939 source address replaced."""
    j1939 = message.extended and (message.j1939 is not None or network.j1939)
    stated = node.identifiers.get(FrameKey(network.name, message.extended, message.identifier))
    if stated is not None:
        identifier = stated
    else:
        identifier = message.identifier + node.identifier_offset
        if j1939 and node.source_address is not None:
            identifier = with_source(identifier, node.source_address)
    fields = split_identifier(identifier) if j1939 else None
    if identifier == message.identifier and fields == message.j1939:
        return message
    return replace(message, identifier=identifier, j1939=fields)


def sent_streams(placement: Placement) -> list[Stream]:
    """What a port sends, with the timing its definitions state."""
    return [
        timed(
            Stream(
                placement.network.name,
                placement.node.name,
                placed(message, placement.node, placement.network),
                message.cycle,
                message.cycle,
                event=message.event,
            ),
            Timing(),
        )
        for message in placement.port.messages
        if placement.port.sender in message.senders
    ]


def timed(stream: Stream, timing: Timing) -> Stream:
    """The stream with what the plan states laid over what the definitions state.

    The deadline defaults to the cycle time, with the cycle's origin.
    """
    cycle, event = stream.cycle, stream.event
    if timing.min_distance_ns is not None:
        cycle, event = Stated(timing.min_distance_ns, Origin.PLAN), True
    elif timing.cycle_ns is not None:
        cycle, event = Stated(timing.cycle_ns, Origin.PLAN), False
    deadline = cycle
    if timing.deadline_ns is not None:
        deadline = Stated(timing.deadline_ns, Origin.PLAN)
    message = stream.message
    if timing.segmented is not None:
        message = replace(message, segmented=timing.segmented)
    return replace(
        stream,
        message=message,
        cycle=cycle,
        event=event,
        deadline=deadline,
        jitter_ns=timing.jitter_ns,
        pace=timing.pace,
        optional=timing.optional is True,
        bounds=timing.bounds,
        optional_signals=frozenset(() if isinstance(timing.optional, bool) else timing.optional),
    )


def needs_of(placement: Placement) -> list[Need]:
    """Signals that a port's definitions say it receives from others, messages without signals."""
    sender = placement.port.sender
    found = []
    for message in placement.port.messages:
        if sender in message.senders:
            continue
        signals: list[Signal | None] = [s for s in message.signals if sender in s.receivers]
        if not signals and sender in message.to:
            signals = [None]
        found += [Need(placement.network.name, placement.node.name, message, s) for s in signals]
    return found


def told_apart(streams: Sequence[Stream]) -> list[Stream]:
    """Streams marked where one node sends several messages of one name on one network."""
    keys: dict[tuple[str, str, str], set[FrameKey]] = {}
    for s in streams:
        keys.setdefault((s.network, s.node, s.message.name), set()).add(s.key)
    return [
        replace(s, namesake=True) if len(keys[s.network, s.node, s.message.name]) > 1 else s
        for s in streams
    ]


def joined(ports: Sequence[Port]) -> Port:
    """Several ports of one part on the same network, seen as one connection.

    It speaks only the bit rates that all of them speak.
    """
    if len(ports) == 1:
        return ports[0]
    first = ports[0]
    stated = [p.bit_rates for p in ports if p.bit_rates]
    data_stated = [p.data_bit_rates for p in ports if p.data_bit_rates]
    return Port(
        name="+".join(p.name for p in ports),
        files=tuple(dict.fromkeys(f for p in ports for f in p.files)),
        sender=first.sender,
        bit_rates=_common(stated),
        data_bit_rates=_common(data_stated),
        terminator_ohm=next((p.terminator_ohm for p in ports if p.terminator_ohm), None),
        messages=tuple(m for p in ports for m in p.messages),
        versions=tuple(dict.fromkeys(v for p in ports for v in p.versions)),
    )


def without_repeats(streams: Iterable[Stream]) -> list[Stream]:
    """Drop a stream that the same node sends on the same network under the same name and key."""
    seen: Mapping[tuple[str, str, FrameKey], Stream] = {
        (s.node, s.message.name, s.key): s for s in reversed(list(streams))
    }
    return list(reversed(list(seen.values())))


def _common(rates: Sequence[tuple[int, ...]]) -> tuple[int, ...]:
    return tuple(r for r in rates[0] if all(r in other for other in rates)) if rates else ()
