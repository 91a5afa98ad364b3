"""What is odd about messages that load nevertheless, as findings.

The rules of this file: pure functions over messages of one file; only signals whose selector is
missing are taken away.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace

from busplan.definitions.model import Message, Signal
from busplan.definitions.overlaps import overlaps
from busplan.definitions.sense import LONGEST_J1939
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.kinds import FD_LENGTHS
from busplan.wording import counted, listing


def odd_messages(messages: Sequence[Message]) -> tuple[Finding, ...]:
    """Every oddity of the messages of one file."""
    findings = list(_repeated_identifiers(messages))
    for message in messages:
        findings.extend(_overlaps(message))
        findings.extend(_outside(message))
        findings.extend(_length(message))
    return tuple(findings)


def _where(message: Message, signal: str | None = None) -> Where:
    return Where(message=message.name, signal=signal, file=message.file, line=message.line)


def _repeated_identifiers(messages: Sequence[Message]) -> Iterator[Finding]:
    groups: dict[tuple[bool, int], list[Message]] = defaultdict(list)
    for message in messages:
        groups[message.extended, message.identifier].append(message)
    for group in groups.values():
        if len(group) < 2:
            continue
        places = ", ".join(f"{m.name} (line {m.line})" for m in group)
        yield Finding(
            "definition-repeated-identifier",
            Weight.CAUTION,
            _where(group[1]),
            f"{len(group)} messages of the file have the identifier {group[0].label}: {places}.",
            why="A frame with it could be any of them; they are kept apart, none replaces another.",
            action="Find out which one the part sends and take the others out.",
        )


def _overlaps(message: Message) -> Iterator[Finding]:
    pairs, more = overlaps(message)
    for i, j, shared in pairs:
        one, other = message.signals[i], message.signals[j]
        yield Finding(
            "definition-signals-overlap",
            Weight.CAUTION,
            _where(message, one.name),
            f"{other.name} and {one.name} of {message.name} share {counted(shared, 'bit')}"
            + (", and there are more such pairs." if more and (i, j, shared) == pairs[-1] else "."),
            why="Each is decoded alone; at most one of them can be right.",
            action="Ask the maker which one the part sends.",
            figures=(Figure("shared", shared, "bit"),),
        )


def _outside(message: Message) -> Iterator[Finding]:
    for signal in message.signals:
        if signal.last_byte >= message.length:
            yield Finding(
                "definition-signal-outside",
                Weight.CAUTION,
                _where(message, signal.name),
                f"{signal.name} reaches byte {signal.last_byte + 1} of {message.name}, which has "
                f"{message.length}.",
                why="Frames of the stated length do not carry it.",
                action="Compare with what the part sends and mend the length or the signal.",
                figures=(Figure("message length", message.length, "byte"),),
            )


def _length(message: Message) -> Iterator[Finding]:
    text = None
    if message.fd:
        if message.length not in FD_LENGTHS:
            text = "which no CAN FD frame can have"
    elif message.length > 8:
        if message.extended and message.length <= LONGEST_J1939 and message.j1939 is not None:
            return
        text = "more than a classical frame holds, and the file does not call it CAN FD"
    if text:
        yield Finding(
            "definition-odd-length",
            Weight.CAUTION,
            _where(message),
            f"{message.name} has {message.length} bytes, {text}.",
            why="Its time on the wire and its frames cannot be told for sure.",
            action="State the frame format (VFrameFormat in a DBC file, fd in a plan), or mend the "
            "length.",
            figures=(Figure("length", message.length, "byte"),),
        )


def without_lost_pages(
    messages: Sequence[Message],
) -> tuple[tuple[Message, ...], tuple[Finding, ...]]:
    """The messages without signals whose selector is not there, and one finding a message.

    A selector that is itself such a signal takes those that wait for it along.
    """
    result, findings = [], []
    for message in messages:
        kept = list(message.signals)
        lost: list[Signal] = []
        while True:
            names = {s.name for s in kept}
            here = [s.condition is None or s.condition.selector in names for s in kept]
            if all(here):
                break
            lost += [s for s, stays in zip(kept, here, strict=True) if not stays]
            kept = [s for s, stays in zip(kept, here, strict=True) if stays]
        if lost:
            findings.append(_selector_missing(message, lost))
            message = replace(message, signals=tuple(kept))
        result.append(message)
    return tuple(result), tuple(findings)


def _selector_missing(message: Message, lost: Sequence[Signal]) -> Finding:
    wanted = dict.fromkeys(s.condition.selector for s in lost if s.condition)
    named = [name for name in wanted if name]
    why = f"the selector {listing(named)} is not there" if named else "no selector goes with them"
    return Finding(
        "definition-selector-missing",
        Weight.CAUTION,
        _where(message, lost[0].name),
        f"{counted(len(lost), 'multiplexed signal')} of {message.name} set aside, because {why}: "
        f"{listing([s.name for s in lost])}.",
        why="It cannot be told which frames carry them, so they are decoded in none.",
        action="Mark the selector with M in the file, or mend its line.",
        figures=(Figure("signals", len(lost)),),
    )
