"""Bit rates: does every node speak the rate of its network?"""

from __future__ import annotations

from collections.abc import Iterator

from busplan.checks.wording import rate
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.vehicle import Network, Node, Port, Vehicle
from busplan.wording import listing


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Placements whose part states bit rates, but not the network's."""
    for node in vehicle.nodes.values():
        for name, port in node.on.items():
            network = vehicle.networks[name]
            if port.bit_rates and network.bit_rate not in port.bit_rates:
                yield _wrong_rate(vehicle, node, port, network)
            if network.data_bit_rate is None:
                continue
            if port.data_bit_rates and network.data_bit_rate not in port.data_bit_rates:
                yield _wrong_data_rate(node, port, network, network.data_bit_rate)
            elif not port.data_bit_rates and not any(m.fd for m in port.messages):
                yield _perhaps_classical(vehicle, node, network, network.data_bit_rate)


def _wrong_rate(vehicle: Vehicle, node: Node, port: Port, network: Network) -> Finding:
    fitting = [
        n.name
        for n in vehicle.networks.values()
        if n.bit_rate in port.bit_rates
        and n.name not in node.on
        and (not n.fd or n.data_bit_rate in port.data_bit_rates)
    ]
    elsewhere = "Give it a network of its own"
    if fitting:
        elsewhere = f"Move it to a network that runs at its rate ({listing(fitting)})"
    return Finding(
        "bit-rate",
        Weight.FAULT,
        Where(network.name, node.name),
        f"{node.name} speaks {listing(map(rate, port.bit_rates))}, "
        f"but {network.name} runs at {rate(network.bit_rate)}.",
        "It reads no frame at that rate and answers each with an error frame, which stops the "
        "whole network.",
        f"{elsewhere}{_in_common(vehicle, network)}.",
        (
            Figure("network", network.bit_rate, "bit/s"),
            *(Figure("part", r, "bit/s") for r in port.bit_rates),
        ),
    )


def _in_common(vehicle: Vehicle, network: Network) -> str:
    """What else the network could run at, by what its nodes state."""
    stated = [n.on[network.name].bit_rates for n in vehicle.nodes_on(network.name)]
    told = [rates for rates in stated if rates]
    common = sorted(set.intersection(*map(set, told)))
    if not common:
        return f"; no bit rate is spoken by all nodes of {network.name}"
    who = (
        "all its nodes speak" if len(told) == len(stated) else "all its nodes speak that state any"
    )
    rates = " or ".join(map(rate, common))
    return f", or run {network.name} at {rates}, which {who}"


def _wrong_data_rate(node: Node, port: Port, network: Network, data_rate: int) -> Finding:
    return Finding(
        "data-bit-rate",
        Weight.FAULT,
        Where(network.name, node.name),
        f"{node.name} speaks data bit rates of {listing(map(rate, port.data_bit_rates))}, "
        f"but {network.name} switches to {rate(data_rate)}.",
        "It loses step in the data phase and destroys every frame that switches its bit rate.",
        f"Choose a data bit rate that all nodes of {network.name} speak, or move {node.name}.",
        (
            Figure("network", data_rate, "bit/s"),
            *(Figure("part", r, "bit/s") for r in port.data_bit_rates),
        ),
    )


def _perhaps_classical(vehicle: Vehicle, node: Node, network: Network, data_rate: int) -> Finding:
    frames = sum(s.message.fd for s in vehicle.on(network.name))
    return Finding(
        "not-fd",
        Weight.CAUTION,
        Where(network.name, node.name),
        f"{node.name} is on the CAN FD network {network.name}, but nothing says that it takes "
        "CAN FD frames.",
        "A controller that knows classical frames only destroys each CAN FD frame with an error "
        "frame.",
        f"State data_bit_rates for the part {node.part.name}, or move {node.name} to a classical "
        "network.",
        (Figure("network", data_rate, "bit/s"), Figure("CAN FD messages", frames)),
    )
