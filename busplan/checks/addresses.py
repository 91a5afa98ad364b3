"""J1939 source addresses: one node each on a network."""

from __future__ import annotations

from collections.abc import Iterator

from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.vehicle import Vehicle
from busplan.wording import counted, listing

_NULL = 254


def check(vehicle: Vehicle) -> Iterator[Finding]:
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
