"""Identifiers that a plan states for single messages, as far as the part allows it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from busplan.definitions.model import Message
from busplan.frames.identifier import FrameKey
from busplan.plan.context import Context
from busplan.plan.schema import NodeSpec
from busplan.plan.vehicle import Part, Port, Stream


def stated_identifiers(
    context: Context, node: str, spec: NodeSpec, part: Part, places: Sequence[tuple[str, Port]]
) -> Mapping[FrameKey, int]:
    """The identifiers stated for what a node sends, by network and the definition's identifier."""
    found: dict[FrameKey, int] = {}
    for network, port in places:
        names = [m.name for m in port.messages if port.sender in m.senders]
        for message in port.messages:
            if port.sender not in message.senders:
                continue
            moved = message.identifier + spec.identifier_offset
            for key in _keys(network, node, message, moved, names.count(message.name) > 1):
                if key not in context.spec.messages:
                    continue
                stated = context.spec.messages[key].identifier
                if stated is not None and _allowed(context, key, stated, message, part):
                    found[FrameKey(network, message.extended, message.identifier)] = stated
    return found


def check_identifiers(context: Context, streams: Iterable[Stream]) -> None:
    """Every identifier that the plan states must be that of one message which its node sends."""
    streams = tuple(streams)
    for key, spec in context.spec.messages.items():
        if spec.identifier is None:
            continue
        network, _, rest = key.partition("/")
        node, _, name = rest.rpartition("/")
        name = name.partition("@")[0]
        mine = [
            s
            for s in streams
            if (s.network, s.message.name) == (network, name) and node in ("", s.node)
        ]
        path = ("message", key, "identifier")
        if len(mine) > 1:
            labels = " or ".join(f'"{s.label}"' for s in mine)
            context.problems.add(path, f"is one for {len(mine)} messages; say {labels}")
        elif mine and not mine[0].own:
            context.problems.add(
                path, "belongs to a message that a gateway carries; state it in the [[route]]"
            )
        elif not mine and not context.incomplete:
            context.problems.add(
                path, 'needs the name of one message, written "NETWORK/NODE/MESSAGE"'
            )


def _keys(network: str, node: str, message: Message, moved: int, several: bool) -> Iterator[str]:
    """The names under which a plan may speak of a message; the first wins."""
    label = f"{message.name}@0x{moved:0{8 if message.extended else 3}X}"
    for name in (label,) if several else (message.name, label):
        yield f"{network}/{name}"
        yield f"{network}/{node}/{name}"


def _allowed(context: Context, key: str, stated: int, message: Message, part: Part) -> bool:
    """Whether the part can be given the identifier, and the identifier its width."""
    path = ("message", key, "identifier")
    bits = 29 if message.extended else 11
    rule = part.identifiers
    told = ""
    if stated >> bits:
        told = f"must fit into the {bits} bits of {message.name}; got {stated:#x}"
    elif rule == "fixed" and stated != message.identifier:
        told = f'the part "{part.name}" has fixed identifiers; got {stated:#x}'
    elif isinstance(rule, tuple) and stated - message.identifier not in rule:
        allowed = ", ".join(f"{message.identifier + o:#x}" for o in rule)
        told = f'the part "{part.name}" can send it as {allowed}; got {stated:#x}'
    if told:
        context.problems.add(path, told)
    return not told
