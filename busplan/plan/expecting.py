"""From ``[node.NAME.expect]`` to values: signals of the node looked up, identifiers read."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from busplan.frames.identifier import FrameKey
from busplan.plan.commission_spec import AnswersSpec, ExpectSpec
from busplan.plan.expected import Alike, Allowed, Answers, Expected
from busplan.plan.locate import KeyPath
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
_DATA = re.compile(r"0[xX][0-9a-fA-F]{1,4}")


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
        texts = {
            group: getattr(node.expect, key)
            for key, group in GROUPS.items()
            if getattr(node.expect, key) is not None
        }
        answers = None
        if node.expect.answers is not None:
            answers = _answers(node.expect.answers, nodes[name], (*path, "answers"), problems)
        alike = tuple(_alike(node.expect, own, path, problems))
        found[name] = Expected(name, signals, alike, texts, answers)
    return found


def _alike(
    spec: ExpectSpec, own: Mapping[str, Sequence[SignalAddress]], path: KeyPath, problems: Problems
) -> Iterator[Alike]:
    for index, name in enumerate(spec.alike):
        if name in own:
            yield own[name][0]
        elif name in GROUPS and name != "vin":
            yield GROUPS[name]
        elif _DATA.fullmatch(name):
            if spec.answers is None:
                problems.add((*path, "alike", index), "needs answers = { from = IDENTIFIER }")
            yield int(name, 16)
        else:
            problems.unknown((*path, "alike", index), "signal", name, own)


def _answers(spec: AnswersSpec, node: Node, path: KeyPath, problems: Problems) -> Answers | None:
    network = spec.network
    if network is None and len(node.on) > 1:
        problems.add(path, f"{node.name} is on {', '.join(node.on)}: say which in network")
        return None
    network = network or next(iter(node.on))
    if network not in node.on:
        problems.unknown((*path, "network"), "network", network, node.on, f"of {node.name}")
        return None
    read = {}
    for name, allowed in spec.read.items():
        if _DATA.fullmatch(name) is None:
            problems.add((*path, "read", name), "must be a data identifier such as 0xF195")
            continue
        read[int(name, 16)] = allowed
    return Answers(FrameKey(network, spec.from_ > 0x7FF, spec.from_), spec.ask, read)
