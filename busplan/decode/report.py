"""What decoding had to note, as counts per message and as findings."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from busplan.decode.codec import DecodedMessage
from busplan.decode.match import Match, Matching
from busplan.definitions.model import Message
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.identifier import FrameKey, format_identifier
from busplan.wording import counted, plural

_SHOWN = 12
"""Identifiers or messages named in one sentence; the figures count all."""

_EXACT = 1 << 53
"""Beyond this a float64 no longer holds every whole number (IEEE 754)."""


@dataclass
class MessageTally:
    """Counts of one stream, added up over the pieces it is decoded in."""

    match: Match
    frames: int = 0
    short: int = 0
    long: int = 0
    remote: int = 0
    unknown_multiplexer: int = 0
    out_of_range: Counter[str] = field(default_factory=Counter)
    beyond_float: Counter[str] = field(default_factory=Counter)
    lengths: Counter[int] = field(default_factory=Counter)

    def add(self, decoded: DecodedMessage, lengths: Any) -> None:
        """Count one decoded piece; ``lengths`` are the payload lengths of its frames."""
        self.frames += len(decoded)
        self.short += decoded.short
        self.long += decoded.long
        self.remote += decoded.remote
        self.unknown_multiplexer += decoded.unknown_multiplexer
        if decoded.short or decoded.long:
            values, counts = np.unique(lengths, return_counts=True)
            self.lengths.update(dict(zip(values.tolist(), counts.tolist(), strict=True)))
        for name, signal in decoded.signals.items():
            outside = int(np.count_nonzero(signal.out_of_range))
            if outside:
                self.out_of_range[name] += outside
            if signal.values.dtype.kind in "iu" and signal.signal.length > 53:
                huge = (signal.values > _EXACT) | (signal.values < -_EXACT)
                self.beyond_float[name] += int(np.count_nonzero(huge))

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "message": self.match.stream.label,
            "identifiers": [str(k).split("/", 1)[1] for k in self.match.keys],
            "frames": self.frames,
            "short": self.short,
            "long": self.long,
            "remote": self.remote,
            "unknown_multiplexer": self.unknown_multiplexer,
            "out_of_range": dict(self.out_of_range),
        }


def decode_findings(
    tallies: Iterable[MessageTally], matching: Matching, *, as_float: bool = False
) -> tuple[Finding, ...]:
    """Every finding of a decoding. ``as_float``: values were written as float64."""
    listed = list(tallies)
    findings = [f for tally in listed for f in _of_message(tally, as_float)]
    findings += _unknown(matching)
    findings += _absent(listed, matching)
    return tuple(findings)


def _of_message(tally: MessageTally, as_float: bool) -> Iterator[Finding]:
    message, label = tally.match.stream.message, tally.match.stream.label
    where = Where(tally.match.stream.network, tally.match.stream.node, message.name)
    times = Figure("times", tally.frames)
    if tally.short:
        sent = ", ".join(str(n) for n in sorted(tally.lengths) if n < message.length)
        yield Finding(
            "frame-short",
            Weight.CAUTION,
            where,
            f"{tally.short} of {tally.frames} times {label} came with fewer bytes ({sent}) than "
            f"the {message.length} defined.",
            why=_short_why(message),
            action=_short_action(message),
            figures=(Figure("short", tally.short), times),
        )
    if tally.long:
        yield Finding(
            "frame-long",
            Weight.NOTE,
            where,
            f"{tally.long} of {tally.frames} times {label} came with more bytes than the "
            f"{message.length} defined.",
            why="The bytes beyond are not decoded.",
            action="Ask for a newer definition.",
            figures=(Figure("long", tally.long), times),
        )
    if tally.unknown_multiplexer:
        yield Finding(
            "multiplexer-unknown",
            Weight.CAUTION,
            where,
            f"{tally.unknown_multiplexer} of {tally.frames} times {label} came with a multiplexer "
            "value that no signal is defined for.",
            why="What they carry beside it is not decoded.",
            action="Ask for a newer definition.",
            figures=(Figure("unknown", tally.unknown_multiplexer), times),
        )
    for name, count in tally.out_of_range.items():
        signal = message.signal(name)
        yield Finding(
            "value-out-of-range",
            Weight.NOTE,
            Where(where.network, where.node, message.name, name),
            f"{counted(count, 'value')} of {label}/{name} {plural(count, 'lies', 'lie')} outside "
            "the stated range "
            f"{signal.minimum} to {signal.maximum} {signal.unit}".rstrip()
            + ".",
            why="They are shown as sent; the part may mean 'not available' by them.",
            figures=(Figure("values", count), times),
        )
    for name, count in tally.beyond_float.items():
        if count and as_float:
            yield Finding(
                "value-rounded",
                Weight.NOTE,
                Where(where.network, where.node, message.name, name),
                f"{counted(count, 'value')} of {label}/{name} beyond 2^53, which the column of "
                "values cannot hold exactly.",
                why="A column of floating-point numbers keeps 53 bits.",
                action="Use the wide layout, which keeps whole numbers whole.",
                figures=(Figure("values", count),),
            )
    if tally.match.shared and tally.frames:
        others = ", ".join(s.label for s in tally.match.shared)
        yield Finding(
            "frames-ambiguous",
            Weight.CAUTION,
            where,
            f"The frames of {label} may also be from {others}: their identifiers are the same.",
            why="Each is decoded as if all frames were its own.",
            action="Give the nodes different identifiers.",
            figures=(times,),
        )
    if tally.match.strangers:
        seen = ", ".join(f"0x{a:02X}" for a in tally.match.strangers)
        planned = message.j1939.source if message.j1939 else 0
        yield Finding(
            "source-address-unplanned",
            Weight.CAUTION,
            where,
            f"{label} is planned from source address 0x{planned:02X} but came from {seen} only.",
            why="Another node sends this parameter group, or the part took another address.",
            action="State the address as source_address of the node in the plan.",
            figures=(times,),
        )


def _short_why(message: Message) -> str:
    numbers = "Signals that are not wholly in a frame are left empty there"
    texts = message.segmented is not None and any(s.is_text for s in message.signals)
    return f"{numbers}{'; text at the end is taken as it came' if texts else ''}."


def _short_action(message: Message) -> str:
    told = message.j1939 is not None or message.segmented is not None
    if told or message.length <= (64 if message.fd else 8):
        return "Compare the definition with what the part really sends."
    return (
        'If it is sent in parts by ISO 15765-2, state segmented = "normal" for it in the plan or '
        "give --segmented."
    )


def _unknown(matching: Matching) -> Iterator[Finding]:
    networks: dict[tuple[str, bool], list[tuple[FrameKey, int]]] = defaultdict(list)
    for key, count in matching.unknown.items():
        networks[key.network, key in matching.of_known_groups].append((key, count))
    for (network, known), found in networks.items():
        found.sort(key=lambda pair: -pair[1])
        shown = [f"{format_identifier(k.identifier, k.extended)} ({n})" for k, n in found[:_SHOWN]]
        total = sum(n for _, n in found)
        what = (
            "of parameter groups that are defined, but from source addresses no node has,"
            if known
            else "that no definition knows"
        )
        yield Finding(
            "source-address-unknown" if known else "identifier-unknown",
            Weight.NOTE,
            Where(network),
            f"{counted(len(found), 'identifier')} on {network} {what} came "
            f"{counted(total, 'time')}: {', '.join(shown)}"
            + (", ..." if len(found) > _SHOWN else ""),
            why="They are not decoded.",
            action="If a part of the plan sends them, give the plan a node with that "
            "source_address."
            if known
            else "Look at them with busplan survey; ask the maker for their definition.",
            figures=(Figure("identifiers", len(found)), Figure("times", total)),
        )


def _absent(tallies: Iterable[MessageTally], matching: Matching) -> Iterator[Finding]:
    """Messages that never came; a network without any frame is named as a whole."""
    heard = {m.stream.network for m in matching.matches if m.keys}
    heard |= {key.network for key in matching.unknown}
    networks: dict[str, list[str]] = defaultdict(list)
    for tally in tallies:
        if not tally.match.keys:
            networks[tally.match.stream.network].append(tally.match.stream.label)
    silent = [network for network in networks if network not in heard]
    if silent:
        yield Finding(
            "network-absent",
            Weight.NOTE,
            Where(silent[0] if len(silent) == 1 else None),
            f"The capture has no frame of {', '.join(silent)}.",
            why="The signals asked for there have no values.",
            figures=(Figure("messages", sum(len(networks[n]) for n in silent)),),
        )
    for network, labels in networks.items():
        if network in silent:
            continue
        more = ", ..." if len(labels) > _SHOWN else ""
        yield Finding(
            "message-absent",
            Weight.NOTE,
            Where(network),
            f"{counted(len(labels), 'message')} never came on {network}: "
            f"{', '.join(labels[:_SHOWN])}{more}",
            why="Their signals have no values.",
            figures=(Figure("messages", len(labels)),),
        )
