"""Receivers that a sender's definitions name: does the message reach them where they are placed?

What the receiver's own definitions say it needs is judged in :mod:`busplan.checks.needs`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from busplan.checks.matching import Senders
from busplan.checks.needs import by_message, remedy, routes_to_paste, way_between
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.problems import near_miss
from busplan.plan.route import Route
from busplan.plan.vehicle import Need, Stream, Vehicle
from busplan.wording import listing


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Messages that do not get to whom they are meant for."""
    senders = Senders(vehicle)
    ways = Ways(vehicle)
    sent = {(s.node, s.message.name): s for s in vehicle.streams if s.via is None}
    there = {(s.network, s.message.name) for s in vehicle.streams}
    for needs in by_message([n for n in vehicle.needs if n.named_by]):
        missed = [
            n
            for n in needs
            if not senders.of(n)
            and (n.network, n.message.name) not in there
            and not ways.arrives(n)
        ]
        source = sent.get((needs[0].named_by, needs[0].message.name))
        if missed and source is not None:
            yield _out_of_reach(vehicle, missed, source)
    yield from _unknown(vehicle)


def _unknown(vehicle: Vehicle) -> Iterator[Finding]:
    """Receivers of messages on paper that nobody in the plan is; a DBC file may name others."""
    called = [*vehicle.nodes, *vehicle.parts]
    called += [p.sender for part in vehicle.parts.values() for p in part.ports.values()]
    folded = {name.casefold() for name in called}
    told: set[tuple[str, str]] = set()
    for stream in vehicle.streams:
        message = stream.message
        if message.file != vehicle.source or stream.via is not None:
            continue
        for name in message.receivers:
            if name.casefold() in folded or (message.name, name) in told:
                continue
            told.add((message.name, name))
            yield Finding(
                "receiver-unknown",
                Weight.NOTE,
                Where(*stream.path, file=message.file, line=message.line),
                f'{message.name} of {stream.node} names "{name}" as a receiver, and no node or '
                f"part is called so{near_miss(name, called) or '.'}",
                "Whether it reaches whoever is meant is not judged.",
                "Correct the name in receivers, or take it out.",
            )


def _out_of_reach(vehicle: Vehicle, needs: Sequence[Need], source: Stream) -> Finding:
    need = needs[0]
    way = way_between(vehicle, source.network, need.network)
    signals = [n.signal.name for n in needs if n.signal is not None]
    content = f"{listing(signals)} ({source.message.name})" if signals else source.message.name
    named = dict.fromkeys(
        other.node
        for other in vehicle.needs
        if other.message is need.message and other.network == source.network
    )
    called = vehicle.nodes[need.node].on[need.network].sender
    others = f" {listing(named)} on {source.network} can hear it." if named else ""
    return Finding(
        "receiver-out-of-reach",
        Weight.CAUTION,
        Where(need.network, need.node, need.message.name),
        f"{source.node} on {source.network} sends {content} to {called}, which {need.node} on "
        f"{need.network} is, and no route brings it over.{others}",
        f"If {need.node} acts on {source.message.name}, it never hears it there.",
        f"If {need.node} does not need it, correct the receivers in the definitions of "
        f"{source.node}. Otherwise: {remedy(vehicle, source, need, way)}",
        (Figure("signals", len(signals)), Figure("gateways on the way", len(way))),
        paste=routes_to_paste(source, way),
    )


class _State(NamedTuple):
    """What is on a network: a message as a whole, or a signal; sent by whom."""

    network: str
    kind: str
    name: str
    node: str


class Ways:
    """Where routes bring a message or its signals, hop by hop."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.routes: dict[tuple[str, str, str], list[Route]] = {}
        for route in vehicle.routes:
            self.routes.setdefault((route.source, route.kind, route.what), []).append(route)
        self.networks: dict[str, list[str]] = {}
        for stream in vehicle.streams:
            if stream.via is None:
                self.networks.setdefault(f"{stream.node}/{stream.message.name}", []).append(
                    stream.network
                )

    def arrives(self, need: Need) -> bool:
        """Whether the message, or the signal that is needed of it, gets to the receiver."""
        node, message = need.named_by, need.message.name
        states = [
            _State(n, "message", message, node) for n in self.networks.get(f"{node}/{message}", ())
        ]
        if need.signal is not None:
            states += [_State(s.network, "signal", need.signal.name, node) for s in states]
        seen = set(states)
        while states:
            here = states.pop()
            if here.network == need.network:
                return True
            for route in self.routes.get(here[:3], ()):
                if route.node not in (None, here.node):
                    continue
                there = _State(route.target, here.kind, route.arrives_as, route.through)
                brought = [there]
                if here.kind == "message" and need.signal is not None:
                    brought.append(_State(route.target, "signal", need.signal.name, route.through))
                states += [s for s in brought if s not in seen]
                seen.update(brought)
        return False
