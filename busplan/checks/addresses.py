"""J1939 source addresses: one node each on a network, and none stated that no identifier holds."""

from __future__ import annotations

from collections.abc import Iterator

from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.paper_text import key_text
from busplan.plan.vehicle import Vehicle
from busplan.wording import counted, listing

_NULL = 254


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """What is wrong with the addresses that nodes send from, and with those the plan states."""
    yield from _sent_from(vehicle)
    yield from _without_use(vehicle)


def _sent_from(vehicle: Vehicle) -> Iterator[Finding]:
    """Addresses that more than one node sends from; messages passed on unchanged do not count."""
    users: dict[tuple[str, int], dict[str, int]] = {}
    for stream in vehicle.streams:
        if stream.message.j1939 is not None and stream.own:
            nodes = users.setdefault((stream.network, stream.message.j1939.source), {})
            nodes[stream.node] = nodes.get(stream.node, 0) + 1
    for (network, address), nodes in users.items():
        label = f"0x{address:02X} ({address})"
        first = next(iter(nodes))
        if address >= _NULL:
            yield Finding(
                "source-address-reserved",
                Weight.FAULT,
                Where(network, first),
                f"{listing(nodes)} on {network} sends from source address {label}.",
                "254 is the address of a node that has none, 255 means all nodes; receivers will "
                "not accept frames from them.",
                f"Give {first} a source_address from 0 to 253 in the plan, and set it on the part.",
                (Figure("source address", address),),
            )
        elif len(nodes) > 1:
            equal = _equal_identifiers(vehicle, network, address)
            yield Finding(
                "source-address-clash",
                Weight.FAULT,
                Where(network, first),
                f"{listing(nodes)} on {network} share the source address {label}"
                + (f" and send {counted(equal, 'equal identifier')}." if equal else "."),
                "After the address claim (SAE J1939-81) one of them must give way and stops "
                "sending; without a claim, receivers mix the two up.",
                f"Give {listing(list(nodes)[1:])} another source_address in the plan and set it "
                f"on the part; free on {network}: {_free(vehicle, network)}.",
                (
                    Figure("source address", address),
                    Figure("nodes", len(nodes)),
                    Figure("equal identifiers", equal),
                ),
            )


def _without_use(vehicle: Vehicle) -> Iterator[Finding]:
    """Nodes with an address of their own where nothing they send or hear can hold one."""
    for node in vehicle.nodes.values():
        address = node.source_address
        if address is None or any(vehicle.networks[n].j1939 for n in node.on):
            continue
        if any(m.j1939 is not None for port in node.on.values() for m in port.messages):
            continue
        networks = list(node.on)
        plain = f"{listing(networks)} {'is' if len(networks) == 1 else 'are'}"
        yield Finding(
            "source-address-unused",
            Weight.CAUTION,
            Where(networks[0], node.name),
            f"The plan gives {node.name} the source address 0x{address:02X} ({address}), but "
            f"{plain} not marked as J1939, and no message of it has such an identifier.",
            "Only 29-bit identifiers of the J1939 layout hold a source address; what "
            f"{node.name} sends is planned with the identifiers of its definition.",
            f"If it speaks J1939 there, write j1939 = true in [network.{key_text(networks[0])}]; "
            f"if not, take source_address out of [node.{key_text(node.name)}].",
            (Figure("source address", address),),
        )


def _equal_identifiers(vehicle: Vehicle, network: str, address: int) -> int:
    return sum(
        len(streams) > 1
        for key, streams in vehicle.by_key().items()
        if key.network == network and key.extended and key.identifier & 0xFF == address
    )


def _free(vehicle: Vehicle, network: str) -> str:
    """Some addresses nobody uses, from the range self-configuring nodes take (128 to 247)."""
    used = {s.message.j1939.source for s in vehicle.on(network) if s.message.j1939 is not None}
    return listing([f"0x{a:02X}" for a in range(128, 248) if a not in used][:3])
