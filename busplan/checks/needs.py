"""Signals that a node's definitions say it receives: does anybody send them where it listens?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from busplan.checks.matching import Senders
from busplan.definitions.j1939 import GLOBAL_ADDRESS, split_identifier
from busplan.definitions.model import J1939Id, Message
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.paper_text import key_text, quoted
from busplan.plan.vehicle import Need, Network, Stream, Vehicle
from busplan.wording import counted, listing


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Messages that receivers listen for in vain."""
    lonely: dict[tuple[str, str], list[Need]] = {}
    for unmet in _unmet(vehicle):
        need = unmet.needs[0]
        if unmet.moved is not None:
            yield _moved(vehicle, need, unmet.moved)
        elif unmet.source is not None:
            yield _route_missing(vehicle, unmet.needs, unmet.source, unmet.way)
        else:
            lonely.setdefault((need.network, need.node), []).append(need)
    for (network, node), group in lonely.items():
        yield _sender_missing(network, node, group)
    yield from _unheard_twins(vehicle)
    yield from _addressed_elsewhere(vehicle)


class Unmet(NamedTuple):
    """Needs of one message that nobody meets: who sends it under another identifier there, or who
    sends it on another network, with the way from there as (gateway, network it leads to)."""

    needs: Sequence[Need]
    moved: Stream | None
    source: Stream | None
    way: Sequence[tuple[str, str]]


def missing_routes(vehicle: Vehicle) -> Iterator[Unmet]:
    """The needs that routes through nodes of the vehicle could meet."""
    return (u for u in _unmet(vehicle) if u.moved is None and u.source is not None and u.way)


def _unmet(vehicle: Vehicle) -> Iterator[Unmet]:
    senders = Senders(vehicle)
    named: dict[str, list[Stream]] = {}
    for stream in vehicle.streams:
        named.setdefault(stream.message.name, []).append(stream)
    for needs in by_message([n for n in vehicle.needs if not n.named_by]):
        need = needs[0]
        if senders.of(need):
            continue
        namesakes = [
            s for s in named.get(need.message.name, ()) if s.node != need.node and _holds(s, need)
        ]
        moved = next((s for s in namesakes if s.network == need.network), None)
        found = None if moved else _elsewhere(vehicle, senders, need, namesakes)
        source, way = found or (None, [])
        yield Unmet(needs, moved, source, way)


def by_message(needs: Sequence[Need]) -> list[list[Need]]:
    """The needs of each receiver, message by message."""
    groups: dict[tuple[str, str, bool, int], list[Need]] = {}
    for need in needs:
        key = (need.network, need.node, need.message.extended, need.message.identifier)
        groups.setdefault(key, []).append(need)
    return list(groups.values())


def _elsewhere(
    vehicle: Vehicle, senders: Senders, need: Need, namesakes: Sequence[Stream]
) -> tuple[Stream, list[tuple[str, str]]] | None:
    """The nearest stream on another network that is what ``need`` listens for, with the way.

    ``namesakes`` are streams with its name and content, under whatever identifier. The way is a
    list of (gateway, network it leads to); it is empty when no nodes join the two.
    """
    ranked: list[tuple[int, Stream, list[tuple[str, str]]]] = []
    for name in vehicle.networks:
        if name == need.network:
            continue
        exact = [s for s in senders.of(need, name) if s.node != need.node and _holds(s, need)]
        found = exact or [s for s in namesakes if s.network == name]
        if found:
            way = way_between(vehicle, name, need.network)
            ranked.append((2 * (len(way) or 99) + (not exact), found[0], way))
    best = min(ranked, key=lambda r: r[0], default=None)
    return None if best is None else (best[1], best[2])


def way_between(vehicle: Vehicle, source: str, target: str) -> list[tuple[str, str]]:
    """The shortest chain of gateways from one network to another (breadth first)."""
    ways: dict[str, list[tuple[str, str]]] = {source: []}
    queue = [source]
    while queue:
        here = queue.pop(0)
        if here == target:
            return ways[here]
        for node in vehicle.nodes_on(here):
            for there in node.on:
                if there not in ways:
                    ways[there] = [*ways[here], (node.name, there)]
                    queue.append(there)
    return []


def _route_missing(
    vehicle: Vehicle, needs: Sequence[Need], source: Stream, way: Sequence[tuple[str, str]]
) -> Finding:
    need = needs[0]
    name = source.message.name
    signals = [n.signal.name for n in needs if n.signal is not None and _holds(source, n)]
    content = f"{listing(signals)} ({name})" if signals else name
    return Finding(
        "route-missing",
        Weight.FAULT,
        Where(need.network, need.node, need.message.name),
        f"{need.node} on {need.network} needs {content}, which {source.node} "
        f"sends on {source.network} only; no route brings "
        f"{'it' if len(signals) < 2 else 'them'} over.",
        f"{need.node} never receives {name} and shows or does what it was built to do without it.",
        remedy(vehicle, source, need, way),
        (Figure("signals", len(signals)), Figure("gateways on the way", len(way))),
        paste=routes_to_paste(source, way),
    )


def remedy(vehicle: Vehicle, source: Stream, need: Need, way: Sequence[tuple[str, str]]) -> str:
    """What brings a message to its receiver; :func:`routes_to_paste` goes on from there."""
    if way:
        return f"Put {'this' if len(way) == 1 else 'these'} at the end of the plan:"
    told = f"No chain of nodes joins {source.network} and {need.network}"
    if free := _free_connection(vehicle, source, need):
        node, port = free
        return (
            f'{told}, but the connection "{port}" of {node} is on no network: does it belong in on '
            f"of [node.{key_text(node)}]? If not, place a gateway on both."
        )
    return f"{told}: place a gateway on both, or move {need.node} to {source.network}."


def _free_connection(vehicle: Vehicle, source: Stream, need: Need) -> tuple[str, str] | None:
    """A node on one of the two networks with a connection that is placed nowhere."""
    for node in vehicle.nodes.values():
        placed = {name for port in node.on.values() for name in port.name.split("+")}
        free = [name for name in node.part.ports if name not in placed]
        if free and (source.network in node.on or need.network in node.on):
            return node.name, free[0]
    return None


def routes_to_paste(source: Stream, way: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    """The routes of a way as lines of TOML."""
    networks = [source.network, *(network for _, network in way)]
    lines: list[str] = []
    for (a, b), (gateway, _) in zip(pairwise(networks), way, strict=True):
        keys = {"message": source.message.name, "from": a, "to": b, "through": gateway}
        lines += ["[[route]]", *(f"{key} = {quoted(value)}" for key, value in keys.items())]
    return tuple(lines)


def _holds(stream: Stream, need: Need) -> bool:
    """Whether a stream carries the signal needed, or what is needed as a whole."""
    return need.signal is None or stream.message.has(need.signal.name)


def _moved(vehicle: Vehicle, need: Need, stream: Stream) -> Finding:
    part = vehicle.nodes[need.node].part
    settable = part.identifiers != "fixed"
    expected, sent = need.message.label, stream.message.label
    return Finding(
        "identifier-moved",
        Weight.NOTE if settable else Weight.CAUTION,
        Where(need.network, need.node, need.message.name),
        f"{need.node} expects {need.message.name} as {expected}; {stream.node} sends it as {sent} "
        f"on {need.network}.",
        f"Unless {need.node} is told, it never receives the message.",
        f"Set {sent} in {need.node} and correct its definition file."
        if settable
        else f"The identifiers of {part.name} are fixed: move another node instead, or let a "
        "gateway translate.",
        (Figure("expected", expected), Figure("sent", sent)),
    )


def _unheard_twins(vehicle: Vehicle) -> Iterator[Finding]:
    """Nodes of one part of which a receiver knows one only, since the others were set apart."""
    senders = Senders(vehicle)
    sent: dict[tuple[str, str, str], list[Stream]] = {}
    for stream in vehicle.streams:
        if stream.own and stream.message.j1939 is None:
            part = vehicle.nodes[stream.node].part.name
            sent.setdefault((stream.network, part, stream.message.name), []).append(stream)
    groups = by_message([n for n in vehicle.needs if not n.named_by])
    heard = {(n[0].node, s.label) for n in groups for s in senders.of(n[0])}
    for need, *_ in groups:
        for stream in senders.of(need):
            part = vehicle.nodes[stream.node].part.name
            twins = [
                s
                for s in sent.get((need.network, part, need.message.name), ())
                if s.node not in (need.node, stream.node) and (need.node, s.label) not in heard
            ]
            if twins:
                yield _unheard(vehicle, need, stream, twins)
                break


def _unheard(vehicle: Vehicle, need: Need, known: Stream, twins: Sequence[Stream]) -> Finding:
    part, name = vehicle.nodes[need.node].part, need.message.name
    settable = part.identifiers != "fixed"
    others = listing([f"{s.message.label} of {s.node}" for s in twins])
    return Finding(
        "identifier-moved",
        Weight.NOTE if settable else Weight.CAUTION,
        Where(need.network, need.node, name),
        f"{need.node} expects {name} as {known.message.label}, as {known.node} sends it on "
        f"{need.network}; it does not know {others}.",
        f"Unless {need.node} is told, it never receives {'it' if len(twins) == 1 else 'them'}.",
        f"Let {need.node} receive {others}, too, and put it into its definition file."
        if settable
        else f"The identifiers of {part.name} are fixed: let a gateway translate, or put its like "
        "on another network.",
        (Figure("expected", known.message.label), Figure("not known", others)),
    )


def _addressed_elsewhere(vehicle: Vehicle) -> Iterator[Finding]:
    """Nodes of another J1939 address than their definitions have, and messages sent to that one."""
    senders = Senders(vehicle)
    for need, *_ in by_message([n for n in vehicle.needs if not n.named_by]):
        node, network = vehicle.nodes[need.node], vehicle.networks[need.network]
        wanted = _fields(need.message, network)
        heard = (None, GLOBAL_ADDRESS, node.source_address)
        if node.source_address is None or wanted is None or wanted.destination in heard:
            continue
        port = node.on[need.network]
        sent = [_fields(m, network) for m in port.messages if port.sender in m.senders]
        if wanted.destination not in [f.source for f in sent if f is not None]:
            continue  # it listens to what is meant for another
        found = [
            (stream, fields.destination)
            for stream in senders.of(need)
            if stream.node != need.node and (fields := _fields(stream.message, network))
        ]
        if found and not {to for _, to in found} & {*heard}:
            yield _to_an_old_address(vehicle, need, found[0][0], node.source_address)


def _fields(message: Message, network: Network) -> J1939Id | None:
    """The fields of a message's identifier where they are those of J1939."""
    if message.j1939 is None and message.extended and network.j1939:
        return split_identifier(message.identifier)
    return message.j1939


def _to_an_old_address(vehicle: Vehicle, need: Need, stream: Stream, address: int) -> Finding:
    settable = vehicle.nodes[stream.node].part.identifiers != "fixed"
    name, old = need.message.name, split_identifier(stream.message.identifier).destination
    return Finding(
        "identifier-moved",
        Weight.NOTE if settable else Weight.CAUTION,
        Where(need.network, need.node, name),
        f"{need.node} has the address 0x{address:02X} on {need.network}; {stream.node} sends "
        f"{name} to 0x{old:02X} ({stream.message.label}).",
        f"Unless {stream.node} is told, {need.node} never takes the message for its own.",
        f"Let {stream.node} send {name} to 0x{address:02X}, and correct its definition file; or "
        f"give {need.node} the address 0x{old:02X} again.",
        (Figure("address", f"0x{address:02X}"), Figure("sent to", f"0x{old:02X}")),
    )


def _sender_missing(network: str, node: str, needs: Sequence[Need]) -> Finding:
    names = [n.message.name for n in needs]
    return Finding(
        "sender-missing",
        Weight.NOTE,
        Where(network, node, names[0]),
        f"{node} on {network} can receive {counted(len(names), 'message')} that nothing in the "
        f"vehicle sends: {listing(names)}.",
        "Harmless if optional; otherwise the node will report a missing partner.",
        f"Look into the manual of {node}; if it needs them, plan a node that sends them.",
        (Figure("messages", len(names)),),
    )
