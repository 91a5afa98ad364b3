"""Ordinary messages under identifiers that standards reserve for services.

Sources: ISO 15765-4 (11-bit 0x7DF and 0x7E0 to 0x7EF; 29-bit 18DB33F1, 18DAxxF1, 18DAF1xx);
CiA 301, predefined connection set. CANopen's process data (0x181 to 0x57F) covers half of all
11-bit identifiers, so it is only named where something on the network says that it speaks CANopen.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from busplan.definitions.model import Message
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.paper_text import key_text
from busplan.plan.vehicle import Stream, Vehicle
from busplan.wording import counted, listing


class _Range(NamedTuple):
    low: int
    high: int
    what: str


_DIAGNOSTIC = (
    _Range(0x7DF, 0x7DF, "functional requests"),
    _Range(0x7E0, 0x7E7, "requests"),
    _Range(0x7E8, 0x7EF, "answers"),
)
_MANAGEMENT = (
    _Range(0x000, 0x000, "network management"),
    _Range(0x080, 0x080, "synchronisation"),
    _Range(0x081, 0x0FF, "emergencies"),
    _Range(0x100, 0x100, "time stamp"),
    _Range(0x581, 0x5FF, "service answers"),
    _Range(0x601, 0x67F, "service requests"),
    _Range(0x701, 0x77F, "heartbeats"),
)
_PROCESS = (_Range(0x181, 0x57F, "process data"),)

_SAYS_DIAGNOSTIC = re.compile(r"diag|uds|obd|iso.?15765|request|response|answer", re.IGNORECASE)
_SAYS_CANOPEN = re.compile(
    r"canopen|(?<![a-z])(?:[tr]?[ps]do|nmt|emcy|sync|heartbeat|lss)(?![a-z])|cia.?301",
    re.IGNORECASE,
)


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """One note a network for each standard, unless the plan has answered it."""
    for name, network in vehicle.networks.items():
        streams = vehicle.on(name)
        diagnostic = [
            (s, what)
            for s in streams
            if not _says(s.message, _SAYS_DIAGNOSTIC) and (what := _diagnostic(s.message))
        ]
        if diagnostic and network.diagnostics is not False:
            yield _note(
                name,
                "diagnostics",
                "diagnostics (ISO 15765-4)",
                "A diagnostic tool plugged in later will disturb them, or take them for answers.",
                diagnostic,
            )
        speaks = network.canopen or any(_says(s.message, _SAYS_CANOPEN) for s in streams)
        ranges = _MANAGEMENT + _PROCESS if speaks else _MANAGEMENT
        canopen = [
            (s, what)
            for s in streams
            if not s.message.extended
            and not _says(s.message, _SAYS_CANOPEN)
            and (what := _named(s.message.identifier, ranges))
        ]
        if canopen and network.canopen is not False:
            yield _note(
                name,
                "canopen",
                "CANopen (CiA 301)",
                "It matters only if a CANopen device is or will be on the network.",
                canopen,
            )


def _says(message: Message, words: re.Pattern[str]) -> bool:
    return bool(words.search(message.name) or words.search(message.comment))


def _named(identifier: int, ranges: tuple[_Range, ...]) -> str:
    return next((r.what for r in ranges if r.low <= identifier <= r.high), "")


def _diagnostic(message: Message) -> str:
    if not message.extended:
        return _named(message.identifier, _DIAGNOSTIC)
    if message.identifier >> 16 == 0x18DB:
        return "functional requests"
    if message.identifier >> 16 == 0x18DA:
        return "requests and answers"
    return ""


def _note(
    network: str, answer: str, standard: str, why: str, hits: list[tuple[Stream, str]]
) -> Finding:
    uses: dict[str, list[str]] = {}
    for stream, what in hits:
        uses.setdefault(what, []).append(f"{stream.message.name} {stream.message.label}")
    told = "; ".join(f"{what}: {listing(names, 3)}" for what, names in uses.items())
    return Finding(
        "canopen-identifiers" if answer == "canopen" else "diagnostic-identifiers",
        Weight.NOTE,
        Where(network, hits[0][0].node, hits[0][0].message.name),
        f"{counted(len(hits), 'message')} on {network} "
        f"{'has an identifier' if len(hits) == 1 else 'have identifiers'} of {standard}: {told}.",
        why,
        f"If no such device will ever be connected, answer it in the plan: {answer} = false in "
        f"[network.{key_text(network)}]; else give the messages other identifiers.",
        (Figure("messages", len(hits)),),
    )
