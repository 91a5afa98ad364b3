"""What a plan says of what may change: whether the names fit together, and the values."""

from __future__ import annotations

from collections.abc import Mapping

from busplan.plan.context import Context
from busplan.plan.movable import Costs, Freedom, NetworkFreedom, NodeFreedom
from busplan.plan.schema import NetworkSpec, NodeSpec
from busplan.plan.vehicle import Node


def resolve_freedom(context: Context, nodes: Mapping[str, Node]) -> Freedom:
    """The freedom that the tables give; what does not fit goes to the problems."""
    spec = context.spec
    return Freedom(
        {name: _of_node(context, name, spec.nodes[name], node) for name, node in nodes.items()},
        {name: _of_network(context, name, one) for name, one in spec.networks.items()},
        {
            name: part.buy_other_identifiers
            for name, part in spec.parts.items()
            if part.buy_other_identifiers is not None
        },
        spec.allot.new_networks,
        Costs(**{k: v for k, v in spec.allot.model_dump().items() if k != "new_networks"}),
    )


def _of_node(context: Context, name: str, spec: NodeSpec, node: Node) -> NodeFreedom:
    known = context.spec.known("network")
    for index, network in enumerate(spec.allowed or ()):
        if network not in known:
            context.problems.unknown(("node", name, "allowed", index), "network", network, known)
    if spec.keep and spec.allowed is not None:
        context.problems.add(
            ("node", name), "has both keep and allowed; it stays, or it may sit on those"
        )
    ports = node.part.ports
    places = {}
    for port, network in spec.on:
        only = next(iter(ports)) if len(ports) == 1 else network
        places[only if port is None else port] = network
    allowed = None if spec.allowed is None else tuple(spec.allowed)
    return NodeFreedom(places, allowed, spec.keep, spec.at_m)


def _of_network(context: Context, name: str, spec: NetworkSpec) -> NetworkFreedom:
    path = ("network", name, "reserved")
    for index, (first, last) in enumerate(spec.reserved):
        if first > last:
            context.problems.add(
                (*path, index), f"must begin with the smaller one; got {first:#x} to {last:#x}"
            )
    return NetworkFreedom(
        tuple(spec.bit_rates), spec.guests, tuple((a, b) for a, b in spec.reserved)
    )
