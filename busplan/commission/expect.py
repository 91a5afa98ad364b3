"""What nodes tell of themselves, held against what the plan expects: versions, serials, settings.

The rules of this file: nothing is asked for; what a capture holds is read. Every value that came
counts, so a node that tells two versions fails. What never came is not shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from busplan.answers import Answer, together
from busplan.decode.codec import decode_message
from busplan.decode.j1939_groups import (
    COMPONENT,
    ECU,
    SOFTWARE,
    VEHICLE_IDENTIFICATION,
    identification,
)
from busplan.decode.match import match_frames
from busplan.definitions.j1939 import split_identifier
from busplan.frames.table import FrameTable
from busplan.plan.expected import Allowed, Expected
from busplan.plan.vehicle import Node, SignalAddress, Vehicle
from busplan.transport.messages import Messages, put_together
from busplan.wording import listing

MOST_TOLD = 20
"""Different values of one thing that are told."""
_GROUPS = {
    "software identification": SOFTWARE,
    "component identification": COMPONENT,
    "ECU identification": ECU,
    "vehicle identification": VEHICLE_IDENTIFICATION,
}


@dataclass(frozen=True, slots=True)
class Told:
    """One thing: what is expected of it, and what was told."""

    what: str
    expected: tuple[str, ...]
    told: tuple[str, ...]
    answer: Answer


@dataclass(frozen=True, slots=True)
class NodeTold:
    """Everything that a plan expects of one node, and what a capture holds."""

    node: str
    items: tuple[Told, ...] = field(default=())

    @property
    def answer(self) -> Answer:
        """Bad if anything is, good only when all is."""
        return together(i.answer for i in self.items)

    @property
    def text(self) -> str:
        """What is wrong or missing, or all that was told."""
        wrong = [
            f"{i.what} is {listing(i.told)}, not {' or '.join(i.expected)}"
            for i in self.items
            if i.answer is Answer.BAD
        ]
        missing = [i.what for i in self.items if i.answer is Answer.NOT_SHOWN]
        if missing:
            wrong.append(f"not told: {listing(missing)}")
        return "; ".join(wrong or [f"{i.what} {listing(i.told)}" for i in self.items])

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "node": self.node,
            "told": [
                {
                    "what": i.what,
                    "expected": list(i.expected),
                    "told": list(i.told),
                    "answer": i.answer.value,
                }
                for i in self.items
            ],
        }


def told_of_node(vehicle: Vehicle, table: FrameTable, expected: Expected) -> NodeTold | None:
    """What a capture holds of one node; ``None`` when none of its networks was recorded."""
    node = vehicle.nodes[expected.node]
    messages = put_together(table, vehicle)
    if not {k.network for k in messages.groups} & set(node.on):
        return None
    items = [
        _told(address.signal, allowed, _values(vehicle, messages, address))
        for address, allowed in expected.signals.items()
    ]
    items += [_alike(vehicle, messages, node, a) for a in expected.alike]
    for group, allowed in expected.texts.items():
        texts = _texts(vehicle, messages, node, _GROUPS[group])
        # A text has several fields: what is expected must be one of them.
        named = any(_same(t, a) for t in texts for a in allowed)
        answer = Answer.GOOD if named else Answer.BAD if texts else Answer.NOT_SHOWN
        items.append(Told(group, tuple(map(_shown, allowed)), texts, answer))
    return NodeTold(node.name, tuple(items))


def _told(what: str, allowed: Allowed, values: Sequence[float | str]) -> Told:
    answer = Answer.NOT_SHOWN
    if values:
        fits = all(any(_same(v, a) for a in allowed) for v in values)
        answer = Answer.GOOD if fits else Answer.BAD
    return Told(what, tuple(map(_shown, allowed)), tuple(map(_shown, values)), answer)


def _same(value: float | str, allowed: float | str) -> bool:
    if isinstance(value, str) or isinstance(allowed, str):
        return _shown(value) == _shown(allowed)
    return abs(value - allowed) <= 1e-9 * max(1.0, abs(allowed))


def _shown(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.10g}"


def _values(
    vehicle: Vehicle, messages: Messages, address: SignalAddress
) -> tuple[float | str, ...]:
    """Every different value of a signal, states by name."""
    match = next(
        (m for m in match_frames(messages, vehicle).matches if m.stream.path == address[:3]), None
    )
    if match is None or not len(match.rows):
        return ()
    decoded = decode_message(*messages.pick(match.rows), match.stream.message, [address.signal])
    column = decoded[address.signal]
    numbers, first = np.unique(column.values[column.present], return_index=True)
    texts = column.texts()[column.present][first]
    pairs = zip(numbers.tolist(), texts.tolist(), strict=True)
    found = [text or float(number) for number, text in pairs]
    return tuple(found[:MOST_TOLD])


def _alike(vehicle: Vehicle, messages: Messages, node: Node, address: SignalAddress) -> Told:
    """The same signal of every node of the same part, which must show one value in all."""
    peers: dict[str, tuple[float | str, ...]] = {}
    for stream in vehicle.streams:
        other = vehicle.nodes.get(stream.node)
        if other is None or other.part.name != node.part.name or stream.via is not None:
            continue
        if stream.message.name == address.message.partition("@")[0] and stream.message.has(
            address.signal
        ):
            values = _values(vehicle, messages, stream.address(address.signal))
            peers.setdefault(stream.node, values)
    mine = peers.get(node.name, ())
    others = {n: v for n, v in peers.items() if n != node.name}
    what = f"{address.signal} like {listing(others) or 'its peers'}"
    if not mine or not others or not all(others.values()):
        return Told(what, (), tuple(map(_shown, mine)), Answer.NOT_SHOWN)
    allowed = tuple(dict.fromkeys(v for values in others.values() for v in values))
    good = set(map(_shown, mine)) == set(map(_shown, allowed)) and len(mine) == 1
    answer = Answer.GOOD if good else Answer.BAD
    return Told(what, tuple(map(_shown, allowed)), tuple(map(_shown, mine)), answer)


def _texts(vehicle: Vehicle, messages: Messages, node: Node, pgn: int) -> tuple[str, ...]:
    """Texts of an identification group from a node's source addresses, every different one."""
    found: dict[str, None] = {}
    mine = set(_addresses(vehicle, node))
    for key, rows in messages.groups.items():
        if not key.extended or key.network not in node.on or key in messages.carriers:
            continue
        fields = split_identifier(key.identifier)
        if fields.pgn != pgn or fields.source not in mine:
            continue
        for row in rows[:1000].tolist():
            for _, text in identification(pgn, messages.bytes_of(row)):
                found[text] = None
    return tuple(found)[:MOST_TOLD]


def _addresses(vehicle: Vehicle, node: Node) -> Iterable[int]:
    """The source addresses a node sends J1939 messages from."""
    if node.source_address is not None:
        yield node.source_address
    for stream in vehicle.streams:
        if stream.node == node.name and stream.message.j1939 is not None:
            yield stream.message.j1939.source
