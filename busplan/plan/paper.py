"""Parts on paper: messages that a plan states itself, as a definition file would.

The rules of this file: pure functions from checked tables to :class:`Message`; what is odd about
them is told by the same code that judges definition files, with the plan's lines.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from busplan.definitions.circles import without_circles
from busplan.definitions.j1939 import split_identifier
from busplan.definitions.model import (
    NO_CHOICES,
    FixedMap,
    Message,
    MuxCondition,
    Origin,
    Signal,
    Stated,
    unique,
)
from busplan.definitions.oddities import odd_messages, without_lost_pages
from busplan.definitions.sense import FLOAT_WIDTHS
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.identifier import format_identifier
from busplan.plan.context import Context, span_ns
from busplan.plan.locate import KeyPath
from busplan.plan.paper_schema import PaperMessageSpec, PaperSignalSpec
from busplan.wording import counted, listing

LARGEST_STANDARD = 0x7FF


def paper_messages(
    context: Context, path: KeyPath, specs: Sequence[PaperMessageSpec], own: str
) -> tuple[Message, ...] | None:
    """The messages of a part's tables, ``None`` when any is wrong; ``own`` is the part's name.

    Blemishes go to the context's findings.
    """
    good = True
    read: list[Message] = []
    for index, spec in enumerate(specs):
        place = (*path, "message", index)
        if not _fits(context, place, spec):
            good = False
            continue
        message, circles = without_circles(_message(context, place, spec, own))
        context.findings += circles
        read.append(message)
    if not good:
        return None
    messages, lost = without_lost_pages(read)
    context.findings += (*lost, *odd_messages(messages))
    return messages


def draft_finding(name: str, messages: Sequence[Message]) -> Finding | None:
    """That messages of the part ``name`` are a draft which nobody has confirmed."""
    drafts = [m for m in messages if m.confidence is not None]
    if not drafts:
        return None
    least = min(m.confidence or 0.0 for m in drafts)
    return Finding(
        "definition-draft",
        Weight.CAUTION,
        Where(message=drafts[0].name, file=drafts[0].file, line=drafts[0].line),
        f"{counted(len(drafts), 'message')} of {name} {'is' if len(drafts) == 1 else 'are'} a "
        f"draft: {listing([m.name for m in drafts])}.",
        why="A draft is guessed from what was seen; whatever rests on it holds as far as the "
        "guess does.",
        action="Compare with the part's papers or a test of it, then take out the key confidence "
        "(in a DBC, the attribute DraftConfidence).",
        figures=(Figure("messages", len(drafts)), Figure("least confidence", least)),
    )


def _fits(context: Context, path: KeyPath, spec: PaperMessageSpec) -> bool:
    """Whether the keys of one message go together."""
    problems = context.problems
    before = len(problems.found)
    extended = _extended(spec)
    if not extended and spec.identifier > LARGEST_STANDARD:
        problems.add(
            (*path, "identifier"),
            f"{spec.identifier:#x} has more than 11 bits; say extended = true or correct it",
        )
    if spec.cycle_ms is not None and (spec.event or spec.min_distance_ms is not None):
        other = "event" if spec.event else "min_distance_ms"
        problems.add(path, f"has both cycle_ms and {other}; it is cyclic or on event")
    if spec.j1939 and (spec.fd or not extended):
        problems.add((*path, "j1939"), "a J1939 message has a 29-bit identifier and is not CAN FD")
    names = Counter(s.name for s in spec.signal)
    selectors = [s.name for s in spec.signal if s.selects]
    for index, signal in enumerate(spec.signal):
        here = (*path, "signal", index)
        if names[signal.name] > 1:
            problems.add((*here, "name"), f'another signal of the message is named "{signal.name}"')
        if signal.scale == 0:
            problems.add((*here, "scale"), "must be a number that is not 0; got 0")
        if signal.floating and signal.length not in FLOAT_WIDTHS:
            problems.add((*here, "length"), "a floating-point number has 16, 32 or 64 bits")
        if signal.selector is not None and signal.selector not in names:
            problems.unknown((*here, "selector"), "signal", signal.selector, names)
        if signal.selector is not None and not signal.page:
            problems.add(here, 'has a selector but no "page"')
        if signal.page and signal.selector is None and len(selectors) != 1:
            told = "none of its signals has" if not selectors else f"{listing(selectors)} have"
            problems.add(
                here, f'has a page, and {told} selects = true: say which by "selector", or mark one'
            )
    return len(problems.found) == before


def _extended(spec: PaperMessageSpec) -> bool:
    if spec.extended is not None:
        return spec.extended
    return spec.j1939 or spec.identifier > LARGEST_STANDARD


def _message(context: Context, path: KeyPath, spec: PaperMessageSpec, own: str) -> Message:
    extended = _extended(spec)
    sender = spec.sender or own
    receivers = tuple(spec.receivers) or (() if sender == own else (own,))
    ns = span_ns(spec.min_distance_ms if spec.cycle_ms is None else spec.cycle_ms)
    label = format_identifier(spec.identifier, extended)
    selectors = {s.selector for s in spec.signal} | {s.name for s in spec.signal if s.selects}
    only = next((s.name for s in spec.signal if s.selects), "")
    return Message(
        name=spec.name or f"Message_{label.removeprefix('0x')}",
        identifier=spec.identifier,
        extended=extended,
        length=spec.bytes,
        signals=tuple(_signal(s, receivers, s.name in selectors, only) for s in spec.signal),
        senders=(sender,),
        to=receivers,
        fd=spec.fd,
        bit_rate_switch=spec.fd and spec.bit_rate_switch,
        cycle=None if ns is None else Stated(ns, Origin.DEFINITION),
        event=spec.event or spec.min_distance_ms is not None,
        j1939=split_identifier(spec.identifier) if spec.j1939 else None,
        comment=spec.comment,
        confidence=spec.confidence,
        file=context.problems.file,
        line=context.problems.line(path),
    )


def _signal(
    spec: PaperSignalSpec, receivers: tuple[str, ...], selects: bool, selector: str
) -> Signal:
    condition = MuxCondition(spec.selector or selector, spec.page) if spec.page else None
    return Signal(
        name=spec.name,
        start=spec.start,
        length=spec.length,
        big_endian=spec.byte_order == "big",
        signed=spec.signed,
        is_float=spec.floating,
        scale=spec.scale,
        offset=spec.offset,
        minimum=spec.minimum,
        maximum=spec.maximum,
        unit=spec.unit,
        choices=FixedMap(spec.values) if spec.values else NO_CHOICES,
        receivers=unique(spec.receivers) or receivers,
        selects=selects,
        condition=condition,
        comment=spec.comment,
    )
