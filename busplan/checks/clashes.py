"""Two senders of one identifier on one network."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.vehicle import Part, Stream, Vehicle
from busplan.wording import counted, listing

_COLLIDE = (
    "Frames with equal identifiers both win arbitration; when they start together the payloads "
    "collide, error frames follow, and both nodes may end up off the bus."
)


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Every identifier that more than one node (or one node twice) sends on a network."""
    twins: dict[tuple[str, tuple[str, ...]], list[Sequence[Stream]]] = {}
    for key, streams in vehicle.by_key().items():
        if len(streams) < 2 or _same_address(streams):
            continue
        nodes = tuple(dict.fromkeys(s.node for s in streams))
        parts = {vehicle.nodes[n].part.name for n in nodes}
        own = all(s.own for s in streams)
        if len(nodes) > 1 and len(parts) == 1 and own:
            twins.setdefault((key.network, nodes), []).append(streams)
        elif len({s.message.length for s in streams}) > 1:
            yield _lengths_differ(vehicle, streams)
        else:
            yield _two_makers(vehicle, streams)
    for (network, nodes), groups in twins.items():
        yield _identical_parts(vehicle, network, nodes, groups)


def _same_address(streams: Sequence[Stream]) -> bool:
    """Whether the cause is one J1939 source address used twice, which has its own finding."""
    return len({s.node for s in streams}) > 1 and all(
        s.message.j1939 is not None and s.own for s in streams
    )


def _who(stream: Stream) -> str:
    passed_on = f" (passed on by route {stream.via})" if stream.via else ""
    return f"{stream.node} ({stream.message.name}){passed_on}"


def _two_makers(vehicle: Vehicle, streams: Sequence[Stream]) -> Finding:
    first = streams[0]
    label = first.message.label
    remedy = _movable(vehicle, streams)
    if len({s.node for s in streams}) == 1:
        names = listing(s.message.name for s in streams)
        summary = f"{first.node} sends {names} under one identifier, {label}."
    else:
        makers = dict.fromkeys(vehicle.nodes[s.node].part.maker for s in streams)
        known = len(makers) > 1 and all(makers)
        by = f": parts by {listing(makers)}" if known else ""
        summary = f"{listing(map(_who, streams))} both send {label} on {first.network}{by}."
        if len(streams) > 2:
            summary = summary.replace(" both send", " all send")
    return Finding(
        "identifier-clash",
        Weight.FAULT,
        Where(first.network, first.node, first.message.name),
        summary,
        _COLLIDE,
        remedy,
        (Figure("identifier", label), Figure("senders", len(streams))),
    )


def _lengths_differ(vehicle: Vehicle, streams: Sequence[Stream]) -> Finding:
    first = streams[0]
    label = first.message.label
    told = listing(f"{_who(s)} with {s.message.length} bytes" for s in streams)
    lengths = [s.message.length for s in streams]
    return Finding(
        "identifier-length-clash",
        Weight.FAULT,
        Where(first.network, first.node, first.message.name),
        f"{label} on {first.network} is sent with different lengths: {told}.",
        f"A receiver that expects {max(lengths)} bytes gets {min(lengths)} from the other sender "
        "and reads values that were never sent. " + _COLLIDE,
        "These are different messages. " + _movable(vehicle, streams),
        (
            Figure("identifier", label),
            Figure("shortest", min(lengths), "byte"),
            Figure("longest", max(lengths), "byte"),
        ),
    )


def _identical_parts(
    vehicle: Vehicle, network: str, nodes: Sequence[str], groups: Sequence[Sequence[Stream]]
) -> Finding:
    part = vehicle.nodes[nodes[0]].part
    labels = [streams[0].message.label for streams in groups]
    messages = [streams[0].message.name for streams in groups]
    same = "identifier" if len(labels) == 1 else counted(len(labels), "identifier")
    return Finding(
        "identical-parts-clash",
        Weight.FAULT,
        Where(network, nodes[0], messages[0]),
        f"{listing(nodes)} are the same part ({part.name}) and send the same {same} "
        f"on {network}: {listing(labels)}.",
        f"Nobody can tell whose {messages[0]} it is. " + _COLLIDE,
        _tell_apart(part, nodes),
        (Figure("nodes", len(nodes)), Figure("equal identifiers", len(labels))),
    )


def _tell_apart(part: Part, nodes: Sequence[str]) -> str:
    last = nodes[-1]
    if part.identifiers == "fixed":
        return (
            f"The identifiers of {part.name} are fixed: put {last} on another network, behind a "
            "gateway that moves its identifiers, or buy it with other ones."
        )
    if part.identifiers == "free":
        return f"Give {last} an identifier_offset in the plan, and set the same on the part."
    offsets = listing((f"{o:#x}" for o in part.identifiers), 8)
    return f"Give {last} one of the part's offsets in the plan ({offsets}), and set it on the part."


def _movable(vehicle: Vehicle, streams: Iterable[Stream]) -> str:
    """What can be done about a clash of different parts: move a free one, else separate them."""
    streams = tuple(streams)
    nodes = {s.node: vehicle.nodes[s.node] for s in streams if not s.via}
    for name, node in nodes.items():
        if node.part.identifiers == "free":
            return f"The identifiers of {name} are free: give it an unused one."
    for name, node in nodes.items():
        rule = node.part.identifiers
        others = [o for o in rule if o != node.identifier_offset] if isinstance(rule, tuple) else []
        if others:
            offsets = listing((f"{o:#x}" for o in others), 8).replace(" and ", " or ")
            return f"{name} can be moved: set its identifier_offset to {offsets}."
    if via := next((s.via for s in streams if s.via), None):
        return (
            f"State another identifier in the route {via}, or take the route out where another "
            "one brings the same."
        )
    return (
        f"The identifiers of {listing(nodes)} are fixed: put one on another network, or behind a "
        "gateway that gives its message another identifier."
    )
