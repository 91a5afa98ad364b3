"""Invented vehicles of any size: networks, gateways and single nodes, nothing that they send."""

from busplan.plan.cable import Cable
from busplan.plan.vehicle import Network, Node, Part, Port, Vehicle


def lanes(networks: int, nodes: int, gateways: int = 1) -> Vehicle:
    """``nodes`` in all, ``gateways`` of them on every second network, the rest dealt in turn."""
    names = [f"lane_{i + 1}" for i in range(networks)]
    port = Port("", (), "N")
    part = Part("module of the workshop", "", {"": port})
    all_nodes = {
        f"gateway_{g + 1}": Node(
            f"gateway_{g + 1}", part, {n: port for i, n in enumerate(names) if i % (g + 1) == 0}
        )
        for g in range(gateways)
    }
    for index in range(nodes - gateways):
        name = f"left_rear_controller_{index + 1:02}"
        all_nodes[name] = Node(name, part, {names[index % networks]: port})
    made = {}
    for name in names:
        on = [n for n, node in all_nodes.items() if name in node.on]
        cable = Cable(8.0, dict.fromkeys(on, 0.3), (120.0, 120.0))
        made[name] = Network(name, 250_000, cable=cable)
    return Vehicle("Lanes", "lanes.toml", made, {part.name: part}, all_nodes, (), invented=True)
