"""A node on another network: what only makes sense with it where it is moves with it.

The rules of this file: as in :mod:`busplan.plan.change`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

from busplan.plan.vehicle import Node, Vehicle

Document = dict[str, Any]


@dataclass(slots=True)
class Draft:
    """A document being changed. ``before`` is the vehicle of the unchanged one."""

    document: Document
    before: Vehicle
    told: list[str] = field(default_factory=list)
    """What had to follow from the changes."""


Change = Callable[[Draft], None]


def move_ports(draft: Draft, name: str, targets: Mapping[str, str]) -> None:
    """Let ports of a node sit on other networks: stubs, timing, roles and quantities follow.

    Routes are left to the caller.
    """
    node = draft.before.nodes[name]
    ports = draft.before.freedom.nodes[name].ports
    after = {**ports, **targets}
    draft.document["node"][name]["on"] = [*after.values()] if set(after) == {""} else after
    left = {ports[p] for p in targets} - set(after.values())
    for port, target in targets.items():
        old = ports[port]
        if old == target:
            continue
        if old in left:
            stub = leave_cable(draft, old, name)
            cable = draft.document["network"][target].get("cable")
            if stub is not None and cable is not None:
                cable.setdefault("stubs_m", {})[name] = stub
            left.discard(old)
        _join_cable(draft, target)
        messages = _said_by(node, port)
        _move_offsets(draft, name, old, target, messages)
        _move_timing(draft, name, old, target, messages)
        _move_quantities(draft, name, old, target, messages)
        _move_selectors(draft, name, old, target, messages)


def _said_by(node: Node, port: str) -> frozenset[str]:
    one = node.part.ports[port]
    return frozenset(m.name for m in one.messages if one.sender in m.senders)


def leave_cable(draft: Draft, network: str, node: str) -> float | None:
    """Take a node off a cable: its stub [m], its plug, its place in the order."""
    cable = draft.document["network"][network].get("cable", {})
    cable.get("at", {}).pop(node, None)
    if node in cable.get("order", ()):
        _state_trunk(cable)
        cable["order"] = [n for n in cable["order"] if n != node]
    if node in cable.get("terminators_at", ()):
        del cable["terminators_at"]
        draft.told.append(
            f"{node} leaves {network} with its terminator: fit one where it was, and say where"
        )
    stub: float | None = cable.get("stubs_m", {}).pop(node, None)
    return stub


def _join_cable(draft: Draft, network: str) -> None:
    """Lengths from node to node do not hold with one node more."""
    _state_trunk(draft.document["network"][network].get("cable", {}))


def _state_trunk(cable: Document) -> None:
    segments = cable.pop("segments_m", None)
    if segments:
        cable.setdefault("trunk_m", round(sum(segments), 6))


def take_timing(draft: Draft, node: str) -> None:
    """Timing stated for the messages of a node goes away when nobody else sends them."""
    sends = frozenset(s.message.name for s in draft.before.streams if s.node == node)
    for key, senders in _timed(draft, node, sends):
        if len(senders) < 2 or key.count("/") == 2:
            del draft.document["message"][key]


def _move_offsets(
    draft: Draft, node: str, old: str, target: str, messages: Collection[str]
) -> None:
    table = draft.document["node"][node]
    names = {f"{old}/{m}": f"{target}/{m}" for m in messages}
    if "offsets" in table:
        table["offsets"] = {names.get(key, key): ms for key, ms in table["offsets"].items()}


def _move_timing(draft: Draft, node: str, old: str, target: str, messages: Collection[str]) -> None:
    for key, senders in _timed(draft, node, messages):
        steps = key.split("/")
        if steps[0] != old:
            continue
        tables = draft.document["message"]
        only = len(senders) < 2 or len(steps) == 3
        tables["/".join([target, *steps[1:]])] = tables.pop(key) if only else dict(tables[key])


def _timed(draft: Draft, node: str, messages: Collection[str]) -> list[tuple[str, frozenset[str]]]:
    """Tables of timing that mean one of these messages of a node, with all who send it there."""
    found = []
    alike = [s for s in draft.before.streams if s.message.name in messages]
    for key in draft.document.get("message", {}):
        steps = key.split("/")
        if steps[-1] not in messages or (len(steps) > 2 and steps[1] != node):
            continue
        senders = frozenset(
            s.node
            for s in alike
            if s.message.name == steps[-1] and (len(steps) == 1 or s.network == steps[0])
        )
        if node in senders:
            found.append((key, senders))
    return found


def _move_quantities(
    draft: Draft, node: str, old: str, target: str, messages: Collection[str]
) -> None:
    pack = draft.before.pack
    if pack is None or "pack" not in draft.document:
        return
    table = draft.document["pack"].get("quantities", {})
    for quantity, address in pack.quantities.items():
        selector = str(table.get(quantity, ""))
        mine = (address.node, address.network) == (node, old) and address.message in messages
        if mine and selector.startswith(f"{old}/"):
            table[quantity] = target + selector.removeprefix(old)


def _move_selectors(
    draft: Draft, node: str, old: str, target: str, messages: Collection[str]
) -> None:
    """Roles and behaviours that name a message of the node by its network."""
    names = [f"{old}/{node}/{m}" for m in messages]

    def moved(value: Any) -> Any:
        if isinstance(value, dict):
            return {k: moved(v) for k, v in value.items()}
        if isinstance(value, list):
            return [moved(v) for v in value]
        mine = isinstance(value, str) and any(
            value == name or value.startswith(f"{name}/") for name in names
        )
        return target + value.removeprefix(old) if mine else value

    for section in ("role", "behaviour"):
        if section in draft.document:
            draft.document[section] = moved(draft.document[section])
