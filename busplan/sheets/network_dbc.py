"""One DBC file a network: every message on it as placed, from whichever definitions it came.

The rules of this file: a DBC file has each message name and each identifier once. Names that
several nodes use get the node in front; of several messages under one identifier the first stands,
and what is left out is told. Senders and receivers are the plan's nodes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace

from busplan.checks.matching import Senders
from busplan.definitions.model import Message
from busplan.definitions.writing import dbc_text
from busplan.plan.vehicle import Stream, Vehicle
from busplan.wording import CAUTION


@dataclass(frozen=True, slots=True)
class NetworkFile:
    """The text of one network's DBC file, and what could not go into it."""

    network: str
    text: str
    messages: tuple[Message, ...]
    left_out: tuple[str, ...]


def network_files(vehicle: Vehicle) -> tuple[NetworkFile, ...]:
    """A DBC file for every network, in plan order."""
    heard = _heard(vehicle)
    return tuple(_file(vehicle, name, heard) for name in vehicle.networks)


Heard = Mapping[tuple[str, str], tuple[str, ...]]
"""(stream's label, signal) → the nodes that receive it."""


def _heard(vehicle: Vehicle) -> Heard:
    senders = Senders(vehicle)
    found: dict[tuple[str, str], dict[str, None]] = {}
    for need in vehicle.needs:
        for stream in senders.of(need):
            names = (
                [s.name for s in stream.message.signals]
                if need.signal is None
                else [need.signal.name]
            )
            for name in names:
                found.setdefault((stream.label, name), {})[need.node] = None
    return {key: tuple(nodes) for key, nodes in found.items()}


def _file(vehicle: Vehicle, name: str, heard: Heard) -> NetworkFile:
    streams = vehicle.on(name)
    often = Counter(s.message.name for s in streams)
    taken: dict[tuple[bool, int], Stream] = {}
    messages: list[Message] = []
    left_out: list[str] = []
    for stream in streams:
        key = (stream.message.extended, stream.message.identifier)
        if first := taken.get(key):
            left_out.append(
                f"{stream.node}/{stream.message.name}: {stream.message.label} is also "
                f"{first.node}/{first.message.name}"
            )
            continue
        taken[key] = stream
        messages.append(_message(stream, often[stream.message.name] > 1, heard))
        left_out += [
            f"{stream.node}/{stream.message.name}/{s.name}: a 16-bit floating-point number, which "
            "a DBC file cannot say"
            for s in stream.message.signals
            if s.is_float and s.length not in (32, 64)
        ]
    network = vehicle.networks[name]
    comment = f"Network {name} of {vehicle.label}, as planned. {CAUTION}"
    if vehicle.cautions:
        told = f"Doubtful in the parts' own definitions: {vehicle.cautions[0].summary}"
        more = len(vehicle.cautions) - 1
        comment += f" {told}{f' and {more} more' if more else ''}"
    if left_out:
        comment += " Not in this file: " + "; ".join(left_out)
    nodes = [n.name for n in vehicle.nodes_on(name)]
    text = dbc_text(messages, nodes, comment=comment, bit_rate=network.bit_rate)
    return NetworkFile(name, text, tuple(messages), tuple(left_out))


def _message(stream: Stream, shared: bool, heard: Heard) -> Message:
    """A stream's message as the network has it."""
    message = stream.message
    signals = tuple(
        replace(s, receivers=heard.get((stream.label, s.name), ()))
        for s in message.signals
        if not s.is_float or s.length in (32, 64)
    )
    return replace(
        message,
        name=f"{stream.node}_{message.name}" if shared else message.name,
        signals=signals,
        senders=(stream.node,),
        to=(),
        cycle=stream.cycle,
        event=stream.event,
    )
