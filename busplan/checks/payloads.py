"""Messages that do not fit into a frame of their network."""

from __future__ import annotations

from collections.abc import Iterator

from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.paper_text import key_text
from busplan.plan.vehicle import Stream, Vehicle
from busplan.wording import listing


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Every stream against what a frame of its network can carry."""
    from busplan.wire.lengths import frames_of

    for stream in vehicle.streams:
        network, message = vehicle.networks[stream.network], stream.message
        if message.fd and not network.fd:
            yield _fd_on_classical(stream)
            continue
        most = 64 if message.fd else 8
        if message.j1939 is None and message.segmented is None and message.length > most:
            yield _too_long(stream, most, network.fd)
        elif (frames := frames_of(message)[1]) > 1:
            yield _in_parts(stream, frames)


def _where(stream: Stream) -> Where:
    message = stream.message
    return Where(
        stream.network, stream.node, message.name, file=message.file or None, line=message.line
    )


def _known_partner(stream: Stream) -> bool:
    from busplan.transport.iso15765 import partner_of

    return partner_of(stream.key) is not None


def _fd_on_classical(stream: Stream) -> Finding:
    network, node = stream.network, stream.node
    rate = f"tate data_bit_rate for {network} if all its nodes take CAN FD"
    action = f"S{rate}, or move {node} to a CAN FD network."
    if not stream.own:
        action = (
            "Carry the signals that are needed there with routes of signals, into a message of at "
            f"most 8 bytes that {node} sends on {network}; or s{rate}."
        )
    return Finding(
        "fd-on-classical",
        Weight.FAULT,
        _where(stream),
        f"{node} {'sends' if stream.own else 'passes on'} {stream.message.name} as a CAN FD frame "
        f"of {stream.message.length} bytes, but {network} is a classical network.",
        "Classical controllers answer each CAN FD frame with an error frame.",
        action,
        (Figure("length", stream.message.length, "byte"),),
    )


def _too_long(stream: Stream, most: int, fd_network: bool) -> Finding:
    hint = " or send it as a CAN FD frame" if fd_network and most == 8 else ""
    return Finding(
        "message-too-long",
        Weight.FAULT,
        _where(stream),
        f"{stream.message.name} of {stream.node} has {stream.message.length} bytes; one frame on "
        f"{stream.network} carries {most}.",
        "It cannot be sent in one frame, and nothing says how it would be split.",
        f"Correct the length in the definition, split the message{hint}, or state segmented in the "
        "plan if it is sent by ISO 15765-2.",
        (Figure("length", stream.message.length, "byte"), Figure("most", most, "byte")),
    )


def _in_parts(stream: Stream, frames: int) -> Finding:
    message = stream.message
    by = "ISO 15765-2" if message.segmented else "a J1939 transport session"
    # A broadcast has no receiver that answers.
    answered = message.segmented or (message.j1939 and message.j1939.destination not in (None, 255))
    included = ", those of its receiver included" if answered else ""
    pace = stream.pace
    assumed = []
    if pace.gap_ns is None:
        least = "at once one after the other" if answered else "50 ms apart, and for others at once"
        assumed.append(f"its packets come {least} (pace_ms)")
    if answered and pace.answer_ns is None:
        assumed.append("its receiver answers at once (answer_ms)")
    if message.segmented and pace.flow_control is None and not _known_partner(stream):
        assumed.append("its flow control goes before everything (flow_control)")
    told = f"Not stated, so assumed: {listing(assumed)}. " if assumed else ""
    return Finding(
        "sent-in-parts",
        Weight.NOTE,
        _where(stream),
        f"{message.name} of {stream.node} has {message.length} bytes and travels by {by}: "
        f"{frames} frames each time{included}.",
        f"{told}Where it is sent in another way, response times are longer than what is proven.",
        f"State what is known in [message.{key_text(stream.label)}], and watch its frames in a "
        "capture.",
        (Figure("length", message.length, "byte"), Figure("frames", frames)),
    )
