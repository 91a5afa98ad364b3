"""What a stream of a plan puts on its network, as the search counts it."""

from __future__ import annotations

from busplan.allot.networks import may_change
from busplan.allot.problem import Frames, Name, Sent
from busplan.plan.vehicle import Stream, Vehicle
from busplan.timing.clocks import in_rhythm
from busplan.timing.queue_model import ONE_OFF_NS
from busplan.timing.sessions import no_known_way, session_of
from busplan.wire.lengths import INTERMISSION, frames_of, message_bits


def sent_as(vehicle: Vehicle, stream: Stream) -> Sent:
    """The message of a stream; frames of its session where one frame cannot carry it."""
    message = stream.message
    one, count = frames_of(message)
    worst = message_bits(one)[1]
    period = stream.cycle.ns if stream.cycle and stream.cycle.ns > 0 else ONE_OFF_NS
    per_s = 0.0 if period == ONE_OFF_NS else count * 1e9 / period
    return Sent(
        label=f"{stream.node}/{stream.path[2]}",
        name=Name(message.extended, message.identifier),
        bits_per_s=worst.arbitration * per_s,
        frames=_frames(vehicle, stream, period),
        data_bits_per_s=worst.data * per_s,
        movable=may_change(vehicle, stream),
        address=message.j1939.source if message.j1939 is not None and stream.own else None,
    )


def _frames(vehicle: Vehicle, stream: Stream, period: int) -> tuple[Frames, ...]:
    session = session_of(vehicle, stream)
    if session is not None:
        return tuple(
            Frames(
                name=Name(part.stream.message.extended, part.stream.message.identifier),
                bits=(bits := message_bits(frames_of(part.stream.message)[0])[1]).arbitration,
                data_bits=bits.data,
                period=part.spacing_ns or period,
                jitter=stream.jitter_ns,
                count=1 if part.spacing_ns else part.count,
                judged=False,
                urgent=part.urgent,
                spaced=part.spacing_ns > 0,
            )
            for part in session.parts
        )
    message, count = frames_of(stream.message)
    least, worst = message_bits(message)
    fifo = vehicle.nodes[stream.node].part.queue == "fifo"
    known = period < ONE_OFF_NS and stream.deadline is not None and not no_known_way(stream.message)
    sent_by_clock = not fifo and count == 1 and in_rhythm(stream)
    return (
        Frames(
            name=Name(message.extended, message.identifier),
            bits=worst.arbitration,
            data_bits=worst.data,
            period=period,
            deadline=stream.deadline.ns if stream.deadline else ONE_OFF_NS,
            jitter=stream.jitter_ns,
            count=count,
            judged=known,
            rhythm=list(vehicle.nodes).index(stream.node) if sent_by_clock else -1,
            offset=(stream.offset_ns or 0) if sent_by_clock else 0,
            least_bits=least.arbitration - INTERMISSION,
            least_data_bits=least.data,
            follows=stream.deadline == stream.cycle,
        ),
    )
