"""Needs read from the sender's end: whom its definitions name as receivers.

The rules of this file: a definition calls a receiver by the name that the receiver's own
definitions give it, or by that of its part or node; capitals do not count. Every node of that name
is meant, wherever it is placed: a node that has been moved away from what it listens to must show.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from busplan.definitions.model import Signal
from busplan.plan.vehicle import Need, Node, Stream

Named = Mapping[str, Sequence[tuple[Node, tuple[str, ...]]]]
"""What definitions may call a node → the nodes, and on which networks each goes by that name."""


def needs_named(
    streams: Sequence[Stream], nodes: Iterable[Node], own: Sequence[Need]
) -> tuple[Need, ...]:
    """What senders name as needed, less what the receivers' own definitions say (``own``)."""
    named = _named(nodes)
    said = {
        (n.network, n.node, what, n.signal.name if n.signal else None)
        for n in own
        for what in (n.message.name, (n.message.extended, n.message.identifier))
    }
    arriving: dict[str, set[str]] = {}
    for stream in streams:
        arriving.setdefault(stream.message.name, set()).add(stream.network)
    found: dict[tuple[object, ...], Need] = {}
    for stream in streams:
        if not stream.own or stream.via is not None:
            continue
        message = stream.message
        for receiver, signal in _receivers(stream):
            for node, networks in named.get(receiver.casefold(), ()):
                if node.name == stream.node:
                    continue
                network = _where(stream, networks, arriving[message.name])
                name = signal.name if signal else None
                key = (message.extended, message.identifier)
                if any((network, node.name, what, name) in said for what in (message.name, key)):
                    continue
                need = Need(network, node.name, message, signal, named_by=stream.node)
                found.setdefault((network, node.name, *key, name), need)
    return tuple(found.values())


def _named(nodes: Iterable[Node]) -> Named:
    found: dict[str, dict[str, tuple[Node, tuple[str, ...]]]] = {}
    for node in nodes:
        by_name: dict[str, dict[str, None]] = {}
        for network, port in node.on.items():
            by_name.setdefault(port.sender.casefold(), {})[network] = None
        for name in (node.name, node.part.name):
            by_name[name.casefold()] = dict.fromkeys(node.on)
        for name, networks in by_name.items():
            found.setdefault(name, {})[node.name] = (node, tuple(networks))
    return {name: tuple(group.values()) for name, group in found.items()}


def _receivers(stream: Stream) -> Iterator[tuple[str, Signal | None]]:
    """Names of receivers, each with the signal it is named for, or with none of them."""
    message = stream.message
    signals = [(r, s) for s in message.signals for r in s.receivers]
    yield from signals
    with_signals = {r for r, _ in signals}
    yield from ((r, None) for r in message.to if r not in with_signals)


def _where(stream: Stream, networks: Sequence[str], arriving: set[str]) -> str:
    """The network on which the receiver is meant to hear it: the sender's, one where it comes."""
    if stream.network in networks:
        return stream.network
    return next((n for n in networks if n in arriving), networks[0])
