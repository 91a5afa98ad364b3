"""What the node under test waits for: messages it receives that nobody on the bench sends.

The rules of this file: pure. Which message wakes, enables or asks is read from names, so it is only
a hint (common practice, no source).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from busplan.definitions.model import Message
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Vehicle
from busplan.wording import counted, listing

_PATTERNS = (
    ("wakes it", re.compile(r"wake|_nm_|nm_|netw(or)?k?_?man|keep_?awake|alive", re.IGNORECASE)),
    (
        "enables it",
        re.compile(
            r"enable|ignition|key_?(state|on)|power_?(on|mode)|ready|kl_?15|"
            r"drive_?mode|state|mode",
            re.IGNORECASE,
        ),
    ),
    (
        "asks or commands it",
        re.compile(r"request|command|cmd|req|demand|set_?point", re.IGNORECASE),
    ),
)
MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class Awaited:
    """A message that the node's definition says it receives, and whether somebody sends it.

    ``likely`` is what it does to the node, by its names; "" when they say nothing.
    """

    message: Message
    every_ms: float | None
    heard: bool
    likely: str


def awaited(table: FrameTable, vehicle: Vehicle, node: str, network: str) -> tuple[Awaited, ...]:
    """Everything the node receives on that network; ``table`` holds busplan's own frames too."""
    port = vehicle.nodes[node].on[network]
    by_key = {s.key: s for s in vehicle.on(network) if s.node != node}
    by_name = {s.message.name: s for s in vehicle.on(network) if s.node != node}
    found = []
    for message in port.messages:
        received = any(port.sender in s.receivers for s in message.signals)
        if port.sender in message.senders or not received:
            continue
        key = FrameKey(network, message.extended, message.identifier)
        planned = by_key.get(key) or by_name.get(message.name)
        keys = {key} if planned is None else {key, planned.key}
        cycle = message.cycle if planned is None else planned.cycle
        found.append(
            Awaited(
                message,
                None if cycle is None else cycle.ms,
                any(k in table.groups for k in keys),
                _likely(message),
            )
        )
    return tuple(found)


def _likely(message: Message) -> str:
    names = " ".join((message.name, *(s.name for s in message.signals)))
    return next((words for words, pattern in _PATTERNS if pattern.search(names)), "")


def input_findings(found: tuple[Awaited, ...], node: str, network: str) -> list[Finding]:
    """The messages it waits for in vain, as one note."""
    away = [a for a in found if not a.heard]
    if not away:
        return []
    told = listing((_told(a) for a in away), MOST_NAMED)
    return [
        Finding(
            "inputs-not-sent",
            Weight.NOTE,
            Where(network, node),
            f"nobody on the bench sends {counted(len(away), 'message')} of {len(found)} that it "
            f"receives: {told}",
            why="Many nodes send only once they are woken, enabled or asked, and many report "
            "missing messages as a fault.",
            action="Connect their sender, or send them yourself with --transmit --feed FILE.",
            figures=(Figure("missing", len(away)), Figure("received", len(found))),
        )
    ]


def _told(one: Awaited) -> str:
    every = "" if one.every_ms is None else f", every {one.every_ms:g} ms"
    likely = f", likely {one.likely}" if one.likely else ""
    return f"{one.message.name} ({one.message.label}{every}{likely})"
