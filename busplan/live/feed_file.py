"""Frames that a tester gives a node on the bench: read from a file, with the plan's definitions.

The rules of this file: nothing here can send. The file is TOML::

    [[feed]]
    message = "ChargeRequest"        # of the plan, which the node receives
    every_ms = 100                   # else the cycle that definition or plan state
    values = { Enable = 1, MaxCurrent = 12.5, Mode = "on" }
    checksum = "CRC-8 SAE J1850"     # how its checksum byte is made, when it has one

Counters that are not among the values count by themselves.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from busplan.decode.encode import encode_message
from busplan.decode.protected_names import counts_frames, is_named_checksum, whole_byte
from busplan.decode.protection import KINDS, ChecksumKind, FoundChecksum, expected_checksums
from busplan.definitions.model import Message, Signal
from busplan.errors import UsageError
from busplan.files import read_whole
from busplan.frames.columns import U8
from busplan.frames.identifier import FrameKey
from busplan.plan.problems import suggestion
from busplan.plan.vehicle import Vehicle

LARGEST = 1_000_000
"""Bytes of a file of frames to send."""
SHORTEST_MS, LONGEST_MS = 1.0, 1e6
MOST = 200
"""Messages that are fed at once."""
BLOCK = 256
"""Frames that are made at a time."""
_KEYS = {"message", "every_ms", "values", "checksum"}


@dataclass(frozen=True, eq=False)
class Fed:
    """One message that is sent cyclically: how often [ns], and what is in it."""

    message: Message
    every_ns: int
    values: Mapping[str, float | int]
    checksum: tuple[int, ChecksumKind] | None = None
    """The byte of its checksum and how that is made."""

    def payloads(self, first: int, count: int) -> list[bytes]:
        """What its frames number ``first`` and following carry."""
        k = np.arange(first, first + count)
        values: dict[str, Any] = dict(self.values)
        for signal in self.message.signals:
            if counts_frames(signal) and signal.name not in values:
                values[signal.name] = k % (1 << signal.length)
        made: U8 = encode_message(self.message, values, count)
        if self.checksum is not None:
            byte, kind = self.checksum
            made[:, byte] = expected_checksums(made, FoundChecksum(byte, kind, 0, 1.0))
        return [row.tobytes() for row in made]


def read_feed(path: Path, vehicle: Vehicle, node: str, network: str) -> tuple[Fed, ...]:
    """The messages of a file, to be sent to ``node`` on its network.

    Raises :class:`UsageError` for a file that cannot be read, and for a message or value that the
    plan does not have or that the node sends itself.
    """
    try:
        document = tomllib.loads(read_whole(path, LARGEST).decode("utf-8"))
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise UsageError(f"{path}: is no TOML: {error}") from error
    entries = document.get("feed")
    if not isinstance(entries, list) or not entries or set(document) != {"feed"}:
        raise UsageError(f"{path}: write one [[feed]] table for each message, and nothing else")
    if len(entries) > MOST:
        raise UsageError(f"{path}: {len(entries)} messages; at most {MOST} are sent")
    known = {m.name: m for m in _messages(vehicle, node, network)}
    fed = tuple(_fed(path, n, e, known) for n, e in enumerate(entries, 1))
    labels = [f.message.label for f in fed]
    if len(set(labels)) < len(labels):
        twice = next(label for label in labels if labels.count(label) > 1)
        raise UsageError(f"{path}: {twice} is sent by two entries")
    own = {s.key for s in vehicle.on(network) if s.node == node}
    for one in fed:
        if FrameKey(network, one.message.extended, one.message.identifier) in own:
            raise UsageError(f"{path}: {one.message.name} is what {node} sends itself")
    return fed


def _messages(vehicle: Vehicle, node: str, network: str) -> Iterable[Message]:
    """What may be sent: what the node's definitions receive, then as the plan's others send it."""
    port = vehicle.nodes[node].on[network]
    yield from (m for m in port.messages if port.sender not in m.senders)
    for stream in vehicle.on(network):
        if stream.node != node:
            yield replace(stream.message, cycle=stream.cycle or stream.message.cycle)


def _fed(path: Path, number: int, entry: object, known: Mapping[str, Message]) -> Fed:
    at = f"{path}: [[feed]] number {number}"
    if not isinstance(entry, dict) or not isinstance(entry.get("message"), str):
        raise UsageError(f'{at}: write message = "NAME"')
    odd = sorted(set(entry) - _KEYS)
    if odd:
        raise UsageError(f"{at}: has no key {odd[0]!r}{suggestion(odd[0], _KEYS, 'key')}")
    name = entry["message"]
    if name not in known:
        raise UsageError(
            f"{at}: nobody else sends, and it does not receive, a message {name!r}"
            f"{suggestion(name, known, 'message')}"
        )
    message = known[name]
    if message.length > 64 or message.segmented is not None:
        raise UsageError(f"{at}: {name} takes more than one frame, which is not sent")
    every_ms = _every_ms(at, entry, message)
    values = entry.get("values", {})
    if not isinstance(values, dict):
        raise UsageError(f"{at}: values is a table, {{ Signal = 1 }}")
    checked = {str(k): _value(at, message, str(k), v) for k, v in values.items()}
    fed = Fed(message, round(every_ms * 1e6), checked, _checksum(at, message, entry, checked))
    fed.payloads(0, 2)  # a value that does not fit its bits is told before anything is sent
    return fed


def _every_ms(at: str, entry: Mapping[str, Any], message: Message) -> float:
    every = entry.get("every_ms")
    if every is None and message.cycle is not None:
        return message.cycle.ms
    if not isinstance(every, (int, float)) or isinstance(every, bool):
        raise UsageError(f"{at}: write every_ms, which nobody states")
    if not SHORTEST_MS <= every < LONGEST_MS:
        raise UsageError(f"{at}: every_ms is from {SHORTEST_MS:g} to {LONGEST_MS:g}")
    return float(every)


def _value(at: str, message: Message, name: str, value: object) -> float | int:
    if not message.has(name):
        names = [s.name for s in message.signals]
        raise UsageError(
            f"{at}: {message.name} has no signal {name!r}{suggestion(name, names, 'signal')}"
        )
    signal = message.signal(name)
    if isinstance(value, str):
        return _named(at, signal, value)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value != value:
        raise UsageError(f"{at}: {name} is a number or a name of its value table")
    return value


def _named(at: str, signal: Signal, name: str) -> float | int:
    for raw, choice in signal.choices.items():
        if choice == name:
            return raw * signal.scale + signal.offset
    known = ", ".join(signal.choices.values()) or "none"
    raise UsageError(f"{at}: {signal.name} has no value {name!r}; it has: {known}")


def _checksum(
    at: str, message: Message, entry: Mapping[str, Any], values: Mapping[str, object]
) -> tuple[int, ChecksumKind] | None:
    """Where the checksum is and how it is made; it is told or given, never guessed."""
    named = [s for s in message.signals if is_named_checksum(s) and s.name not in values]
    kinds = {k.name: k for k in KINDS}
    told = entry.get("checksum")
    if told is None and not named:
        return None
    if told not in kinds:
        raise UsageError(
            f"{at}: {message.name} has a checksum: write checksum = KIND, one of "
            f"{', '.join(kinds)}, or give its value"
        )
    places = [b for s in named if (b := whole_byte(s)) is not None]
    if len(places) != 1:
        raise UsageError(f"{at}: {message.name} has no checksum of one whole byte")
    return places[0], kinds[told]
