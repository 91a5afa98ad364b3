"""Nodes that have nothing to do on a network they sit on, and networks where nothing is sent."""

from __future__ import annotations

from collections.abc import Iterator

from busplan.checks.matching import Senders
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.paper_text import key_text
from busplan.plan.vehicle import Node, Port, Vehicle
from busplan.wording import counted


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Placements without a message sent, received or taken for a route."""
    senders = Senders(vehicle)
    sending = {(s.network, s.node) for s in vehicle.streams}
    taking = {(r.source, r.through) for r in vehicle.routes}
    heard = {network for network, _ in sending}
    yield from (_quiet(vehicle, name) for name in vehicle.networks if name not in heard)
    for node in vehicle.nodes.values():
        for network, port in node.on.items():
            if (network, node.name) in sending | taking:
                continue
            needs = [n for n in vehicle.needs if n.node == node.name and n.network == network]
            if any(senders.of(need) for need in needs):
                continue
            told = _by_definitions if port.files else _by_the_plan
            yield Finding(
                "node-without-messages",
                Weight.CAUTION,
                Where(network, node.name),
                *told(node, network, port, len(needs)),
                (
                    Figure("signals to receive", len(needs)),
                    Figure("nodes sending there", sum(n == network for n, _ in sending)),
                ),
            )


def _by_definitions(node: Node, network: str, port: Port, needs: int) -> tuple[str, str, str]:
    return (
        f"{node.name} neither sends nor receives a message on {network}: its definitions "
        f"know it as {port.sender}, with {counted(needs, 'signal')} to receive.",
        "It costs a stub and does nothing there, or its definitions are not the right ones and the "
        "plan misses what it really sends.",
        f"Move {node.name} to the network of its partners, or correct definitions and sender of "
        f"the part {node.part.name}.",
    )


def _by_the_plan(node: Node, network: str, port: Port, needs: int) -> tuple[str, str, str]:
    part = node.part.name
    return (
        f"{node.name} neither sends nor receives a message on {network}, by the plan: the part "
        f"{part} has no definition file, and nothing on {network} names it as receiver.",
        "What it really sends is missing from loads, response times and identifiers.",
        f"Ask its maker, or record it and run busplan survey; describe what it sends in "
        f"[[part.{key_text(part)}.message]], and name it in receivers of what it listens to.",
    )


def _quiet(vehicle: Vehicle, name: str) -> Finding:
    nodes = len(vehicle.nodes_on(name))
    by = f"by none of {counted(nodes, 'node')}" if nodes else "which has no node"
    return Finding(
        "network-without-messages",
        Weight.NOTE,
        Where(name),
        f"Nothing is sent on {name}, {by}.",
        "Its load, response times and identifiers are in order only because there are none.",
        f"Place the nodes that belong on {name}, or take it out of the plan.",
        (Figure("nodes", nodes),),
    )
