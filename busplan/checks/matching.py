"""Does what somebody sends answer what somebody else listens for?

J1939 messages match by parameter group, whoever sends them to whom; all others by identifier and
identifier width. A node whose identifiers are offset may listen at its own identifiers with or
without that offset: either counts.
"""

from __future__ import annotations

from busplan.definitions.model import Message
from busplan.plan.vehicle import Need, Stream, Vehicle


def answers(stream: Stream, need: Need, vehicle: Vehicle) -> bool:
    """Whether the stream is, by its identifier, the message that ``need`` listens for."""
    sent, wanted = stream.message, need.message
    if sent.extended != wanted.extended:
        return False
    if sent.j1939 is not None and _group(wanted) == sent.j1939.pgn:
        return True
    offset = vehicle.nodes[need.node].identifier_offset
    return sent.identifier in (wanted.identifier, wanted.identifier + offset)


def _group(message: Message) -> int:
    from busplan.definitions.j1939 import split_identifier

    return (message.j1939 or split_identifier(message.identifier)).pgn
