"""Messages longer than a frame as the frames that carry them: whose, how many, in what order.

The rules of this file:

* A J1939 message travels as transport frames (0xEC00 announces and answers, 0xEB00 carries 7 bytes)
  at a priority of their own, whatever its identifier says: as a broadcast, or, when its group has a
  destination, as a connection whose receiver answers after each window (SAE J1939-21; from memory).
* A segmented message has a first frame, flow control from its receiver after it and after each
  block, and consecutive frames (ISO 15765-2; from memory).
* Each frame is queued when the one before has been sent, a gap or an answer later. Sessions of one
  *chain* follow each other: a node sends one broadcast at a time, a pair of nodes has one
  connection, a segmented identifier one message.
* Packets of a broadcast whose pace nobody states are taken to be :data:`FASTEST_PACE_NS` apart,
  answers that nobody states to come at once; frames that others meet come one by one only where a
  pace is stated, else all at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from busplan.definitions.j1939 import GLOBAL_ADDRESS
from busplan.definitions.model import J1939Id, Message
from busplan.plan.vehicle import Stream, Vehicle
from busplan.wire.lengths import frames_of

FASTEST_PACE_NS = 50_000_000
"""Least time between two packets of a broadcast, of the 50 to 200 ms that SAE J1939-21 allows."""

SPACED_FROM_NS = 5_000_000
"""A stated pace from which packets count one by one; closer ones count as a burst."""

_CONTROL, _DATA, _ANSWER = "control", "data", "answer"


@dataclass(frozen=True, slots=True)
class Part:
    """The frames of a session that share an identifier: one of them as a stream, how many, and the
    least distance [ns] of two of them when their sender keeps one (0: they may come at once).
    ``urgent`` frames have an identifier that nobody knows and count before all others."""

    stream: Stream
    count: int
    spacing_ns: int
    urgent: bool = False


@dataclass(frozen=True, slots=True)
class Session:
    """One long message as frames.

    ``order`` names the part of each frame, in the order of sending; ``gap_ns`` has the time each is
    queued after the one before; ``pause_ns`` passes until the next session of the ``chain``.
    """

    stream: Stream
    chain: tuple[str, ...]
    parts: tuple[Part, ...]
    order: tuple[int, ...]
    gap_ns: tuple[int, ...]
    pause_ns: int

    @property
    def kind(self) -> str:
        """``broadcast``, ``connection`` or ``segmented``."""
        return self.chain[0]

    @property
    def stated(self) -> bool:
        """Whether the plan says all that the bound depends on."""
        pace = self.stream.pace
        if self.kind == "broadcast":
            return pace.gap_ns is not None
        known = self.kind == "connection" or not any(p.urgent for p in self.parts)
        return known and pace.gap_ns is not None and pace.answer_ns is not None


def session_of(vehicle: Vehicle, stream: Stream) -> Session | None:
    """The session that carries a message; ``None`` when one frame does, or nobody knows how."""
    message = stream.message
    if frames_of(message)[1] == 1:
        return None
    if message.segmented is not None:
        return _segmented(vehicle, stream)
    if message.fd or message.j1939 is None:
        return None
    return _transport(vehicle, stream, message.j1939)


def no_known_way(message: Message) -> bool:
    """Whether a message is too long for a frame and nobody says how it is sent in parts."""
    unsaid = message.segmented is None and (message.fd or message.j1939 is None)
    return unsaid and frames_of(message)[1] > 1


def _transport(vehicle: Vehicle, stream: Stream, fields: J1939Id) -> Session:
    pace, source = stream.pace, fields.source
    packets = -(-stream.message.length // 7)
    everyone = fields.destination in (None, GLOBAL_ADDRESS)
    to = GLOBAL_ADDRESS if fields.destination is None else fields.destination
    gap = (FASTEST_PACE_NS if everyone else 0) if pace.gap_ns is None else pace.gap_ns
    control = _frame(stream, _CONTROL, stream.node, _carrier(pace.priority, 0xEC, to, source))
    data = _frame(stream, _DATA, stream.node, _carrier(pace.priority, 0xEB, to, source))
    if everyone:
        spacing = gap if pace.gap_ns is not None and gap >= SPACED_FROM_NS else 0
        return Session(
            stream=stream,
            chain=("broadcast", stream.network, stream.node, str(source)),
            parts=(Part(control, 1, spacing), Part(data, packets, spacing)),
            order=(0, *[1] * packets),
            gap_ns=(0, *[gap] * packets),
            pause_ns=gap,
        )
    answer = pace.answer_ns or 0
    back = _frame(
        stream,
        _ANSWER,
        _owner(vehicle, stream.network, to),
        _carrier(pace.priority, 0xEC, source, to),
    )
    order, gaps = [0], [0]
    window = pace.window or packets
    for first in range(0, packets, window):
        some = min(window, packets - first)
        order += [2, *[1] * some]
        gaps += [answer, *[gap] * some]
    order.append(2)
    gaps.append(answer)
    return Session(
        stream=stream,
        chain=("connection", stream.network, stream.node, str(source), str(to)),
        parts=(
            Part(control, 1, 0),
            Part(data, packets, 0),
            Part(back, order.count(2), 0),
        ),
        order=tuple(order),
        gap_ns=tuple(gaps),
        pause_ns=gap,
    )


def _segmented(vehicle: Vehicle, stream: Stream) -> Session:
    pace, message = stream.pace, stream.message
    frames = frames_of(message)[1] - 2
    answer, gap = pace.answer_ns or 0, pace.gap_ns or 0
    partner = pace.flow_control if pace.flow_control is not None else _partner(stream)
    data = _frame(stream, _DATA, stream.node, message.identifier)
    back = _frame(
        stream,
        _ANSWER,
        _receiver(vehicle, stream),
        message.identifier ^ 8 if partner is None else partner,
    )
    order, gaps = [0], [0]
    block = pace.window or frames
    for first in range(0, frames, block):
        some = min(block, frames - first)
        order += [1, *[0] * some]
        gaps += [answer, *[gap] * some]
    return Session(
        stream=stream,
        chain=("segmented", stream.label),
        parts=(
            Part(data, frames + 1, 0),
            Part(back, order.count(1), 0, urgent=partner is None),
        ),
        order=tuple(order),
        gap_ns=tuple(gaps),
        pause_ns=gap,
    )


def _frame(stream: Stream, what: str, node: str, identifier: int) -> Stream:
    """One frame of a session as a stream of its own."""
    one = frames_of(stream.message)[0]
    message = replace(
        one,
        name=f"{stream.message.name} ({what})",
        identifier=identifier,
        extended=stream.message.extended,
        signals=(),
        senders=(node,),
        j1939=None,
        segmented=None,
        cycle=None,
    )
    return replace(
        stream, node=node, message=message, cycle=None, deadline=None, jitter_ns=0, via=None
    )


def _carrier(priority: int, group: int, destination: int, source: int) -> int:
    return priority << 26 | group << 16 | destination << 8 | source


def _owner(vehicle: Vehicle, network: str, address: int) -> str:
    """The node that has a J1939 address on a network."""
    for stream in vehicle.streams:
        message = stream.message
        mine = stream.network == network and message.extended and stream.own
        if mine and message.identifier & 0xFF == address:
            return stream.node
    named = (n.name for n in vehicle.nodes_on(network) if n.source_address == address)
    return next(named, f"address 0x{address:02X}")


def _receiver(vehicle: Vehicle, stream: Stream) -> str:
    """The first node whose definitions name it as a receiver of the message."""
    for node in vehicle.nodes_on(stream.network):
        if node.name != stream.node and node.on[stream.network].sender in stream.message.receivers:
            return node.name
    return f"receiver of {stream.message.name}"


def _partner(stream: Stream) -> int | None:
    from busplan.transport.iso15765 import partner_of

    return partner_of(stream.key)
