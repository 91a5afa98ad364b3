"""What a capture shows of messages that nobody defines, as a draft of their definition.

The rules of this file: a guess, with how sure it is. Lengths and periods are as seen; signals are
where a survey finds something that moves like one, page by page in messages that carry different
things by turns. Names say where a signal lies, and nothing of what it means.
"""

from __future__ import annotations

from collections.abc import Iterable

from busplan.definitions.model import Message, MuxCondition, Origin, Signal, Stated
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import BRS, FD
from busplan.frames.table import FrameTable
from busplan.traffic.fields import LikelyValue
from busplan.traffic.survey import SurveyedIdentifier
from busplan.wording import counted, plain

ENOUGH = 100
"""Frames from which on their number leaves no doubt."""
_STEADY = 0.3
"""Distances within this part of their median make a period; else a message is sent on event."""
PAGE = "Page"
"""The name of a signal that says which page a frame carries."""


def draft_messages(
    table: FrameTable, found: Iterable[SurveyedIdentifier], sender: str
) -> tuple[Message, ...]:
    """A draft of each identifier that carries data, in the order given."""
    drafts = (_draft(table, one, sender) for one in found if one.lengths)
    return tuple(message for message in drafts if message is not None)


def _draft(table: FrameTable, one: SurveyedIdentifier, sender: str) -> Message | None:
    length = next(iter(one.lengths))
    if length > 64:
        return None
    rows = table.groups[one.key]
    flags = table.flags[rows]
    fd = bool((flags & FD).any())
    event = _is_event(one)
    cycle = one.cycle
    ns = None if cycle is None else cycle.shortest_ns if event else cycle.median_ns
    return Message(
        name=f"Message_{one.label.removeprefix('0x')}",
        identifier=one.key.identifier,
        extended=one.key.extended,
        length=length,
        signals=draft_signals(one),
        senders=(sender,),
        fd=fd,
        bit_rate_switch=fd and bool((flags & BRS).any()),
        cycle=None if ns is None or ns <= 0 else Stated(_rounded(ns), Origin.MEASURED),
        event=event,
        confidence=_confidence(one),
        comment=_told(one),
    )


def _is_event(one: SurveyedIdentifier) -> bool:
    cycle = one.cycle
    return cycle is not None and cycle.jitter_ns > _STEADY * cycle.median_ns


def _rounded(ns: int) -> int:
    """A period to three digits: clocks of nodes and adapters are no better."""
    return round(float(f"{ns:.3g}"))


def _confidence(one: SurveyedIdentifier) -> float:
    """How sure: by how many frames there are, whether they come evenly and are of one length."""
    sure = 0.9 * min(1.0, one.frames / ENOUGH)
    sure -= 0.2 * _is_event(one) + 0.2 * (len(one.lengths) > 1) + 0.3 * bool(one.two_senders)
    return round(max(0.05, sure), 2)


def _told(one: SurveyedIdentifier) -> str:
    told = [f"Draft from a capture: {one.frames} frames"]
    if one.cycle is not None:
        told.append(f"longest gap {plain(one.cycle.longest_ns / 1e6)} ms")
    if len(one.lengths) > 1:
        told.append("lengths " + ", ".join(f"{n} ({c} times)" for n, c in one.lengths.items()))
    if one.two_senders:
        told.append(one.two_senders)
    return "; ".join(told) + "."


def draft_signals(one: SurveyedIdentifier) -> tuple[Signal, ...]:
    """The selector of pages, counters, the checksum and values, as the survey found them."""
    signals = [
        Signal(f"Counter_{c.start}", c.start, c.length, comment="likely a counter")
        for c in one.counters
    ]
    if one.checksum is not None:
        place = 8 * one.checksum.position
        told = f"likely a checksum, {one.checksum.kind.name}"
        signals.append(Signal(f"Checksum_{place}", place, 8, comment=told))
    if one.selector is not None:
        pages = len({v.page for v in one.values})
        told = f"likely says what the frame carries; values on {counted(pages, 'page')}"
        start, length = one.selector.start, one.selector.length
        signals.append(Signal(PAGE, start, length, selects=True, comment=told))
    width = 8 * next(iter(one.lengths), 0)
    signals += [s for s in map(_value, one.values) if max(s.bits()) < width]
    # The selector first, then what every frame carries, then page by page.
    return tuple(
        sorted(
            signals, key=lambda s: (not s.selects, bool(s.condition), not s.condition and s.start)
        )
    )


def _value(value: LikelyValue) -> Signal:
    on_page, page = value.page is not None, value.page or 0
    return Signal(
        f"Page{page}_Value_{value.start}" if on_page else f"Value_{value.start}",
        value.start,
        value.length,
        big_endian=value.big_endian,
        signed=value.signed,
        minimum=value.low,
        maximum=value.high,
        condition=MuxCondition(PAGE, ((page, page),)) if on_page else None,
        comment=f"moves like one quantity{' on this page' * on_page}; raw values as seen",
    )


def undefined(
    found: Iterable[SurveyedIdentifier], names: Iterable[FrameKey], split: Iterable[FrameKey]
) -> tuple[SurveyedIdentifier, ...]:
    """The identifiers that nobody defines and that are no parts of longer messages."""
    known = {*names, *split}
    return tuple(one for one in found if one.key not in known)
