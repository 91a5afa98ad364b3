"""Nodes for the bench whose truth is known, made without any of the judging code.

To add nodes, write a file ``tests/truth/nodes_NAME.py`` that holds ``NODES: list[TruthNode]``;
tests and ``tests/benchmarks/bench_nodes.py`` find it by its name. Nothing of ``busplan`` is needed
for it: the definition is DBC text, frames are encoded by cantools, and what is true is stated
beside them::

    NODES = [
        TruthNode(
            "pump-too-slow",
            "every 140 ms where its definition says 100 ms",
            dbc=DBC,
            sender="PUMP",
            sends=lambda book, dice: cyclic(book, "PumpState", 140, values, dice=dice),
            verdicts=("fail",),
            reasons=(("cycle-time-off",),),
        ),
    ]

``reasons`` are codes of findings; ``busplan explain`` lists them with their meaning. Of each group
one has to be told; none of ``never`` may be. Write what is true, then run; where busplan says
something else, one of the two is wrong, and it is the author of the judging code who looks.
"""

from __future__ import annotations

import importlib
import random
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, NamedTuple

import cantools

SECONDS = 20.0
"""How long a node is judged; frames beyond are not sent."""


class Sent(NamedTuple):
    """One frame: when [s] from the start of listening, identifier, its width, payload, format."""

    at_s: float
    identifier: int
    data: bytes
    extended: bool = False
    fd: bool = False
    switched: bool = False


class Book:
    """A DBC text as cantools reads it; messages by name."""

    def __init__(self, text: str) -> None:
        self.text = text
        self._database: Any = cantools.database.load_string(text, "dbc", strict=False)

    def message(self, name: str) -> Any:
        """cantools' own message object."""
        return self._database.get_message_by_name(name)

    def frame(self, name: str, at_s: float, values: Mapping[str, float | str]) -> Sent:
        """One frame of a message with these values."""
        message = self.message(name)
        data = message.encode(dict(values), strict=False, padding=False)
        return Sent(at_s, message.frame_id, data, message.is_extended_frame, message.is_fd)


@dataclass(frozen=True)
class TruthNode:
    """A node: what the tester holds it against, what it sends, what is true of it.

    ``dbc`` is the definition. ``sends`` gets the book that it really follows (``really``, else the
    definition) and dice of its own seed, and gives its frames. ``verdicts`` are those that are
    right: ``pass``, ``not proven``, ``doubtful``, ``fail``. ``plan`` holds more TOML of the bench's
    plan, such as ``[message."bench/NAME"]`` tables; ``network`` more keys of its network.
    ``answers`` maps questions (identifier, data) to answers, for a node that is asked.
    """

    name: str
    what: str
    dbc: str
    sender: str
    sends: Callable[[Book, random.Random], Iterable[Sent]]
    verdicts: tuple[str, ...]
    reasons: tuple[tuple[str, ...], ...] = ()
    never: tuple[str, ...] = ()
    really: str = ""
    plan: str = ""
    network: str = "bit_rate = 500_000"
    seconds: float = SECONDS
    answers: Mapping[tuple[int, bytes], Sequence[tuple[int, bytes]]] = field(default_factory=dict)

    @cached_property
    def book(self) -> Book:
        """What it really follows."""
        return Book(self.really or self.dbc)

    @property
    def healthy(self) -> bool:
        """Whether it has to pass, whatever its seed."""
        return self.verdicts == ("pass",)

    def frames(self, seed: int = 1) -> list[Sent]:
        """All it sends within its time, in order."""
        sent = self.sends(self.book, random.Random(seed))
        return sorted(f for f in sent if 0 <= f.at_s < self.seconds)

    def told_right(self, verdict: str, codes: Sequence[str]) -> bool:
        """Whether a verdict and its reasons are the truth."""
        told = all(any(code in codes for code in group) for group in self.reasons)
        return verdict in self.verdicts and told and not set(self.never) & set(codes)


Values = Callable[[int], Mapping[str, float | str]]
"""Number of the frame to the values of every signal."""
Seal = Callable[[bytes], bytes]
"""A payload with its checksum put in."""


def cyclic(
    book: Book,
    name: str,
    every_ms: float | Callable[[int], float],
    values: Values,
    *,
    dice: random.Random,
    first_ms: float = 5.0,
    jitter_ms: float = 1.0,
    until_s: float = SECONDS,
    seal: Seal | None = None,
) -> Iterator[Sent]:
    """A message sent by its own clock; ``every_ms`` may be the distance after each frame."""
    at_ms, k = first_ms, 0
    while at_ms < until_s * 1e3:
        late = dice.uniform(-jitter_ms, jitter_ms)
        frame = book.frame(name, max(0.0, at_ms + late) / 1e3, values(k))
        yield frame if seal is None else frame._replace(data=seal(frame.data))
        at_ms += every_ms(k) if callable(every_ms) else every_ms
        k += 1


def crc8_j1850(data: bytes) -> int:
    """CRC-8 of SAE J1850: polynomial 0x1D, start and final value 0xFF (bit by bit)."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF


def sealed_last(data: bytes) -> bytes:
    """The last byte as that checksum over the bytes before it."""
    return data[:-1] + bytes([crc8_j1850(data[:-1])])


def all_nodes() -> dict[str, TruthNode]:
    """The nodes of every ``nodes_*.py`` beside this file, by name."""
    found: dict[str, TruthNode] = {}
    for path in sorted(Path(__file__).parent.glob("nodes_*.py")):
        for node in importlib.import_module(f"truth.{path.stem}").NODES:
            assert node.name not in found, f"two nodes are called {node.name}"
            found[node.name] = node
    return found
