"""From ``[node.NAME.expect]`` to values: signals of the node looked up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from busplan.plan.expected import Allowed, Expected
from busplan.plan.problems import Problems
from busplan.plan.schema import PlanSpec
from busplan.plan.vehicle import Node, SignalAddress, Stream

GROUPS = {
    "software": "software identification",
    "component": "component identification",
    "ecu": "ECU identification",
    "vin": "vehicle identification",
}
"""Keys of the plan, and what J1939 calls the group."""


def resolve_expected(
    spec: PlanSpec, nodes: Mapping[str, Node], streams: Sequence[Stream], problems: Problems
) -> dict[str, Expected]:
    """What each node must tell; names that it does not send go to ``problems``."""
    found = {}
    for name, node in spec.nodes.items():
        if node.expect is None or name not in nodes:
            continue
        path = ("node", name, "expect")
        own: dict[str, list[SignalAddress]] = {}
        for stream in streams:
            if stream.node == name and stream.via is None:
                for signal in stream.message.signals:
                    own.setdefault(signal.name, []).append(stream.address(signal.name))
        signals: dict[SignalAddress, Allowed] = {}
        for signal_name, allowed in node.expect.signals.items():
            if signal_name not in own:
                problems.unknown((*path, "signals", signal_name), "signal", signal_name, own)
                continue
            signals[own[signal_name][0]] = allowed
        alike = []
        for index, signal_name in enumerate(node.expect.alike):
            if signal_name not in own:
                problems.unknown((*path, "alike", index), "signal", signal_name, own)
                continue
            alike.append(own[signal_name][0])
        texts = {
            group: getattr(node.expect, key)
            for key, group in GROUPS.items()
            if getattr(node.expect, key) is not None
        }
        found[name] = Expected(name, signals, tuple(alike), texts)
    return found
