"""Send offsets of nodes: the moments at which a node's clock makes it queue its messages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from busplan.plan.context import Context, span_ns
from busplan.plan.paper_text import key_text
from busplan.plan.vehicle import Stream, Vehicle


def with_offsets(context: Context, streams: Sequence[Stream]) -> list[Stream]:
    """The streams with the offsets that their nodes' tables state; each must name one message."""
    result = list(streams)
    for node, spec in context.spec.nodes.items():
        mine = [i for i, s in enumerate(streams) if s.node == node]
        for name, offset_ms in spec.offsets.items():
            path = ("node", node, "offsets", name)
            hits = [i for i in mine if name in _names(streams[i])]
            if not hits:
                if not context.incomplete:
                    known = [streams[i].path[2] for i in mine if streams[i].via is None]
                    context.problems.unknown(path, "message", name, known, f"of {node}")
            elif len(hits) > 1:
                labels = " or ".join(f'"{streams[i].network}/{streams[i].path[2]}"' for i in hits)
                context.problems.add(path, f"is one for {len(hits)} messages; say {labels}")
            elif told := _unfit(streams[hits[0]]):
                context.problems.add(path, told)
            else:
                result[hits[0]] = replace(streams[hits[0]], offset_ns=span_ns(offset_ms))
    return result


def _names(stream: Stream) -> tuple[str, ...]:
    """What a node's table may call one of its messages."""
    name = stream.path[2]
    return name, f"{stream.network}/{name}"


def _unfit(stream: Stream) -> str:
    """Why a message can have no offset."""
    if stream.via is not None:
        return "belongs to a message that a gateway carries, which comes when its source does"
    if stream.event:
        return "belongs to a message that is sent on event; only periods have an offset"
    if stream.cycle is None:
        return f"needs a period; state cycle_ms in [message.{key_text(stream.label)}]"
    return ""


def offset_name(vehicle: Vehicle, stream: Stream) -> str:
    """The shortest name by which its node's table can mean this message."""
    name = stream.path[2]
    alike = [s for s in vehicle.streams if s.node == stream.node and name in _names(s)]
    return name if len(alike) == 1 else f"{stream.network}/{name}"
