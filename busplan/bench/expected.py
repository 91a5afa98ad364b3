"""What nodes tell of themselves, held against what the plan expects: versions, serials, settings.

The rules of this file: nothing is asked for; what a capture holds is read. Every value that came
counts, so a node that tells two versions fails. What never came is not shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from busplan.answers import Answer, together
from busplan.decode.codec import decode_message
from busplan.decode.iso14229 import content_text, data_name, data_told
from busplan.decode.j1939_groups import GROUPS, identification
from busplan.decode.match import match_frames
from busplan.definitions.j1939 import split_identifier
from busplan.findings import Finding, Weight, Where
from busplan.frames.table import FrameTable
from busplan.plan.expected import Alike, Allowed, Expected
from busplan.plan.vehicle import Node, SignalAddress, Vehicle
from busplan.transport.iso15765 import Segmented
from busplan.transport.messages import put_together
from busplan.wording import listing

MOST_ROWS = 1000
"""Messages of one kind that are read."""
MOST_TOLD = 20
"""Different values of one thing that are told."""


@dataclass(frozen=True, slots=True)
class Told:
    """One thing: what is expected of it, and what was told."""

    what: str
    expected: tuple[str, ...]
    told: tuple[str, ...]
    answer: Answer
    unlike: tuple[str, ...] = ()
    """Nodes of the same part that tell otherwise."""


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


def told_of_node(heard: Heard, expected: Expected) -> NodeTold | None:
    """What a capture holds of one node; ``None`` when none of its networks was recorded."""
    node = heard.vehicle.nodes[expected.node]
    if not heard.networks & set(node.on):
        return None
    items = [
        _told(address.signal, allowed, heard.values(address))
        for address, allowed in expected.signals.items()
    ]
    items += [_alike(heard, node, a) for a in expected.alike]
    for group, allowed in expected.texts.items():
        texts = heard.texts(node, group)
        # A text has several fields: what is expected must be one of them.
        named = any(_same(t, a) for t in texts for a in allowed)
        answer = Answer.GOOD if named else Answer.BAD if texts else Answer.NOT_SHOWN
        items.append(Told(group, tuple(map(_shown, allowed)), texts, answer))
    if expected.answers is not None:
        contents = heard.answers(node)
        for number, allowed in expected.answers.read.items():
            came = contents.get(number, ())
            fits = bool(came) and all(any(_says(c, a) for a in allowed) for c in came)
            answer = Answer.GOOD if fits else Answer.BAD if came else Answer.NOT_SHOWN
            shown = tuple(map(content_text, came))
            items.append(Told(data_name(number), tuple(map(_shown, allowed)), shown, answer))
    return NodeTold(node.name, tuple(items))


def expected_findings(told: NodeTold, where: Where) -> Iterator[Finding]:
    """What is told otherwise than expected, not at all, or otherwise than by identical parts."""
    for item in told.items:
        place = replace(where, node=told.node)
        if item.answer is Answer.NOT_SHOWN and item.expected:
            yield Finding(
                "expected-not-told",
                Weight.NOTE,
                place,
                f"{told.node} did not tell its {item.what}, expected {' or '.join(item.expected)}",
                "What was not told may be another version, part or setting.",
                "Record it while it tells, or ask it on the bench with --transmit.",
            )
        elif item.answer is Answer.BAD and item.unlike:
            yield Finding(
                "identical-parts-differ",
                Weight.CAUTION,
                place,
                f"{item.what} of {told.node} is {listing(item.told)}, of {listing(item.unlike)} "
                f"{' or '.join(item.expected)}",
                "Parts of one kind with different versions or settings behave differently.",
                "Ask the maker which of them belongs into this vehicle, and make them alike.",
            )
        elif item.answer is Answer.BAD:
            yield Finding(
                "expected-told-otherwise",
                Weight.CAUTION,
                place,
                f"{item.what} of {told.node} is {listing(item.told)}, not "
                f"{' or '.join(item.expected)}",
                "Another version, part or setting than the plan was made for may behave "
                "differently.",
                "Have it changed, or make sure that it fits and state it in the plan.",
            )


class Heard:
    """What the messages of a capture tell; its networks bear the plan's names."""

    def __init__(self, vehicle: Vehicle, table: FrameTable) -> None:
        self.vehicle = vehicle
        self.networks = {key.network for key in table.groups}
        # Answers of all nodes, so that parts can be compared.
        keys = [e.answers.key for e in vehicle.expected.values() if e.answers is not None]
        self._messages = put_together(table, vehicle, [Segmented(key) for key in keys])
        found = match_frames(self._messages, vehicle).matches
        self._matches = {m.stream.path: m for m in found}

    def values(self, address: SignalAddress) -> tuple[float | str, ...]:
        """Every different value of a signal, states by name."""
        match = self._matches.get(address[:3])
        if match is None or not len(match.rows):
            return ()
        picked = self._messages.pick(match.rows)
        decoded = decode_message(*picked, match.stream.message, [address.signal])
        column = decoded[address.signal]
        numbers, first = np.unique(column.values[column.present], return_index=True)
        texts = column.texts()[column.present][first]
        pairs = zip(numbers.tolist(), texts.tolist(), strict=True)
        found = [text or float(number) for number, text in pairs]
        return tuple(found[:MOST_TOLD])

    def texts(self, node: Node, group: str) -> tuple[str, ...]:
        """Texts of an identification group from a node's addresses, every different one."""
        found: dict[str, None] = {}
        mine, pgn = set(_addresses(self.vehicle, node)), GROUPS[group]
        for key, rows in self._messages.groups.items():
            if not key.extended or key.network not in node.on or key in self._messages.carriers:
                continue
            fields = split_identifier(key.identifier)
            if fields.pgn != pgn or fields.source not in mine:
                continue
            for row in rows[:MOST_ROWS].tolist():
                for _, text in identification(pgn, self._messages.bytes_of(row)):
                    found[text] = None
        return tuple(found)[:MOST_TOLD]

    def answers(self, node: Node) -> dict[int, tuple[bytes, ...]]:
        """What a node answered when its data were read: by identifier, every different content."""
        expected = self.vehicle.expected.get(node.name)
        if expected is None or expected.answers is None:
            return {}
        found: dict[int, dict[bytes, None]] = {}
        for row in self._messages.rows_of(expected.answers.key)[:MOST_ROWS].tolist():
            told = data_told(self._messages.bytes_of(row))
            if told is not None:
                found.setdefault(told[0], {})[told[1]] = None
        return {number: tuple(contents)[:MOST_TOLD] for number, contents in found.items()}

    def of(self, node: Node, what: Alike) -> tuple[float | str, ...]:
        """What a node tells of something that parts of its kind may share."""
        if isinstance(what, int):
            return tuple(map(content_text, self.answers(node).get(what, ())))
        if isinstance(what, str):
            return self.texts(node, what)
        if what.node == node.name:
            return self.values(what)
        name = what.message.partition("@")[0]
        for path, match in self._matches.items():
            message = match.stream.message
            own = path[1] == node.name and match.stream.via is None
            if own and message.name == name and message.has(what.signal):
                return self.values(match.stream.address(what.signal))
        return ()


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


def _says(content: bytes, allowed: float | str) -> bool:
    """Whether the content of an answer is what is expected: a number, a text or hexadecimal."""
    if not isinstance(allowed, str):
        return int.from_bytes(content, "big") == allowed
    plain = allowed.replace(" ", "").upper()
    return content_text(content) == allowed or content.hex().upper() == plain


def _alike(heard: Heard, node: Node, what: Alike) -> Told:
    """The same of every node of the same part, which must tell one thing in all."""
    peers = {
        other.name: heard.of(other, what)
        for other in heard.vehicle.nodes.values()
        if other.part.name == node.part.name
    }
    mine = peers.pop(node.name)
    others = {n: v for n, v in peers.items() if v}
    name = what if isinstance(what, str) else ""
    name = data_name(what) if isinstance(what, int) else name or what.signal  # type: ignore[union-attr]
    title = f"{name} like {listing(peers) or 'its peers'}"
    if not mine or not others or len(others) < len(peers):
        return Told(title, (), tuple(map(_shown, mine)), Answer.NOT_SHOWN)
    allowed = tuple(dict.fromkeys(v for values in others.values() for v in values))
    good = set(map(_shown, mine)) == set(map(_shown, allowed)) and len(mine) == 1
    answer = Answer.GOOD if good else Answer.BAD
    unlike = () if good else tuple(others)
    return Told(title, tuple(map(_shown, allowed)), tuple(map(_shown, mine)), answer, unlike)


def _addresses(vehicle: Vehicle, node: Node) -> Iterable[int]:
    """The source addresses a node sends J1939 messages from."""
    if node.source_address is not None:
        yield node.source_address
    for stream in vehicle.streams:
        if stream.node == node.name and stream.message.j1939 is not None:
            yield stream.message.j1939.source
