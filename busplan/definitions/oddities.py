"""What is odd about messages that load nevertheless, as findings.

The rules of this file: pure functions over messages of one file; only signals whose selector is
missing are taken away.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace

from busplan.definitions.model import Message, Signal
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


def exclusive(message: Message, one: Signal, other: Signal) -> bool:
    """Whether two signals can never be in one frame, because some selector tells them apart."""
    ours, theirs = dict(_conditions(message, one)), dict(_conditions(message, other))
    return any(
        not any(a <= d and c <= b for a, b in ours[name] for c, d in theirs[name])
        for name in ours.keys() & theirs.keys()
    )


def _conditions(
    message: Message, signal: Signal
) -> Iterator[tuple[str, tuple[tuple[int, int], ...]]]:
    """The selectors a signal depends on, through all levels, with the values they must have."""
    seen: set[str] = set()
    while signal.condition is not None and signal.condition.selector not in seen:
        condition = signal.condition
        seen.add(condition.selector)
        yield condition.selector, condition.ranges
        if not message.has(condition.selector):
            return
        signal = message.signal(condition.selector)


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
    masks = [sum(1 << bit for bit in s.bits()) for s in message.signals]
    for i, one in enumerate(message.signals):
        for j in range(i):
            other = message.signals[j]
            common = masks[i] & masks[j]
            if common and not exclusive(message, one, other):
                yield Finding(
                    "definition-signals-overlap",
                    Weight.CAUTION,
                    _where(message, one.name),
                    f"{other.name} and {one.name} of {message.name} share "
                    f"{common.bit_count()} bits.",
                    why="Each is decoded alone; at most one of them can be right.",
                    action="Ask the maker which one the part sends.",
                    figures=(Figure("shared", common.bit_count(), "bit"),),
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
            action="State the frame format (VFrameFormat) in the file, or mend the length.",
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
            gone = [s for s in kept if s.condition and s.condition.selector not in names]
            if not gone:
                break
            lost += gone
            kept = [s for s in kept if s not in gone]
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
