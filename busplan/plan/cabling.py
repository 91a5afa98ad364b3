"""The cable of a network from its table: whether its order, lengths and places fit together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from math import isclose

from busplan.plan.cable import END, START, Cable, Tap
from busplan.plan.cable_schema import CableSpec
from busplan.plan.context import Context
from busplan.plan.locate import KeyPath
from busplan.plan.vehicle import Node

SAME_LENGTH_M = 0.01
"""Lengths this near are one: plans give centimetres."""


def resolve_cable(context: Context, network: str, spec: CableSpec) -> Cable:
    """The cable a table describes; what contradicts itself goes to the problems."""
    path = ("network", network, "cable")
    trunk = spec.trunk_m
    if spec.segments_m and len(spec.segments_m) != len(spec.order) - 1:
        context.problems.add(
            (*path, "segments_m"),
            f"must have one length between each two nodes of order, {max(len(spec.order) - 1, 0)}; "
            f"got {len(spec.segments_m)}",
        )
    elif spec.segments_m:
        whole = sum(spec.segments_m)
        if trunk is None:
            trunk = round(whole, 6)
        elif not isclose(whole, trunk, abs_tol=SAME_LENGTH_M):
            context.problems.add(
                (*path, "segments_m"),
                f"add up to {whole:g} m, but trunk_m is {trunk:g} m; state one of them or mend it",
            )
    for node, often in Counter(spec.order).items():
        if often > 1:
            context.problems.add((*path, "order"), f'names "{node}" {often} times')
    fitted = spec.terminators_ohm
    if spec.terminators_at and len(spec.terminators_at) != len(fitted or ()):
        context.problems.add(
            (*path, "terminators_at"),
            f"must have one place for each of terminators_ohm, {len(fitted or ())}; "
            f"got {len(spec.terminators_at)}",
        )
    return Cable(
        trunk_m=trunk,
        stubs_m=dict(spec.stubs_m),
        terminators_ohm=None if fitted is None else tuple(fitted),
        order=tuple(spec.order),
        segments_m=tuple(spec.segments_m),
        terminators_at=tuple(spec.terminators_at),
        wire=spec.wire,
        wire_ohm_per_m=None if spec.wire_mohm_per_m is None else spec.wire_mohm_per_m / 1000,
        high_colour=spec.high_colour,
        low_colour=spec.low_colour,
        shielded=spec.shielded,
        shield_ground_at=spec.shield_ground_at,
        taps={name: Tap(**tap.model_dump()) for name, tap in spec.at.items()},
    )


def check_cable_names(context: Context, nodes: Mapping[str, Node]) -> None:
    """Stubs, order, plugs and terminators must name nodes that sit on the network."""
    for name, spec in context.spec.networks.items():
        if spec.cable is None:
            continue
        known = [n.name for n in nodes.values() if name in n.on]
        for path, node in _named(name, spec.cable):
            if node in known or node in context.spec.broken.get("node", ()):
                continue
            if node in context.spec.nodes and node not in nodes:
                continue
            context.problems.unknown(path, "node", node, known, f'on network "{name}"')
        _whole_order(context, name, spec.cable, known)


def _named(network: str, cable: CableSpec) -> Iterator[tuple[KeyPath, str]]:
    """Every node a cable's table names, and where."""
    path = ("network", network, "cable")
    for node in cable.stubs_m:
        yield (*path, "stubs_m", node), node
    for index, node in enumerate(cable.order):
        yield (*path, "order", index), node
    for node in cable.at:
        yield (*path, "at", node), node
    for index, node in enumerate(cable.terminators_at):
        if node not in (START, END):
            yield (*path, "terminators_at", index), node


def _whole_order(context: Context, network: str, cable: CableSpec, known: Collection[str]) -> None:
    """Lengths from node to node are only those of the trunk when no node is left out."""
    left_out = [n for n in known if n not in cable.order]
    if cable.segments_m and left_out and not context.incomplete:
        context.problems.add(
            ("network", network, "cable", "order"),
            f"leaves out {', '.join(left_out)}, which is on the network; segments_m needs all",
        )
