"""What a capture shows of messages that nobody defines, as a draft of their definition.

The rules of this file: a guess, with how sure it is. Lengths and periods are as seen; signals are
where a survey finds something that moves like one. Messages that carry different things by turns,
told by a selector in the first byte, are looked at page by page. Names say where a signal lies, and
nothing of what it means.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from busplan.decode.protection import find_counters
from busplan.definitions.model import (
    Message,
    MuxCondition,
    Origin,
    Signal,
    Stated,
)
from busplan.frames.columns import I64, U8
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import BRS, FD, REMOTE
from busplan.frames.table import FrameTable
from busplan.traffic.fields import likely_values
from busplan.traffic.survey import SAMPLE, SurveyedIdentifier

ENOUGH = 100
"""Frames from which on their number leaves no doubt."""
_STEADY = 0.3
"""Distances within this part of their median make a period; else a message is sent on event."""
_MOST_PAGES = 32
_LEAST_OF_A_PAGE = 8
_CALMER = 0.6
"""Pages are believed when bits flip less than this part as often within them as between frames."""


@dataclass(frozen=True, slots=True)
class Selector:
    """The ``length`` bits of the first byte from ``start`` on that say which page a frame has."""

    start: int
    length: int

    def of(self, payloads: U8) -> I64:
        """The page of every payload."""
        return payloads[:, 0].astype(np.int64) >> self.start & ((1 << self.length) - 1)


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
    rows = rows[((flags & REMOTE) == 0) & (table.length[rows] == length)][:SAMPLE]
    sample = table.payload_matrix(rows, length)
    selector = find_selector(sample)
    signals = _plain(one, sample) if selector is None else tuple(_paged(sample, selector))
    fd = bool((flags & FD).any())
    event = _is_event(one)
    cycle = one.cycle
    ns = None if cycle is None else cycle.shortest_ns if event else cycle.median_ns
    return Message(
        name=f"Message_{one.label.removeprefix('0x')}",
        identifier=one.key.identifier,
        extended=one.key.extended,
        length=length,
        signals=signals,
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
        told.append(f"longest gap {one.cycle.longest_ns / 1e6:.4g} ms")
    if len(one.lengths) > 1:
        told.append("lengths " + ", ".join(f"{n} ({c} times)" for n, c in one.lengths.items()))
    if one.two_senders:
        told.append(one.two_senders)
    return "; ".join(told) + "."


def _plain(one: SurveyedIdentifier, sample: U8) -> tuple[Signal, ...]:
    """Counters, the checksum and values, as the survey found them."""
    signals = [
        Signal(f"Counter_{c.start}", c.start, c.length, comment="likely a counter")
        for c in one.counters
    ]
    if one.checksum is not None:
        place = one.checksum.position
        signals.append(
            Signal(
                f"Checksum_{8 * place}",
                8 * place,
                8,
                comment=f"likely a checksum, {one.checksum.kind.name}",
            )
        )
    signals += [
        Signal(
            f"Value_{v.start}",
            v.start,
            v.length,
            big_endian=v.big_endian,
            signed=v.signed,
            minimum=v.low,
            maximum=v.high,
            comment="moves like one quantity; raw values as seen",
        )
        for v in one.values
        if max(_bits(v.start, v.length, v.big_endian)) < 8 * sample.shape[1]
    ]
    return _in_order(signals)


def _paged(sample: U8, selector: Selector) -> Iterator[Signal]:
    """The selector, and what moves on each page apart from the others."""
    pages = selector.of(sample)
    own = set(range(selector.start, selector.start + selector.length))
    yield Signal(
        "Page",
        selector.start,
        selector.length,
        selects=True,
        comment=f"likely says what the frame carries: {len(np.unique(pages))} pages",
    )
    shared = [c for c in find_counters(sample) if not own & set(_bits(c.start, c.length, False))]
    for counter in shared:
        yield Signal(
            f"Counter_{counter.start}", counter.start, counter.length, comment="likely a counter"
        )
        own |= set(_bits(counter.start, counter.length, False))
    for page in np.unique(pages).tolist():
        values = likely_values(sample[pages == page], own)
        yield from _in_order(
            Signal(
                f"Page{page}_Value_{v.start}",
                v.start,
                v.length,
                big_endian=v.big_endian,
                signed=v.signed,
                minimum=v.low,
                maximum=v.high,
                condition=MuxCondition("Page", ((page, page),)),
                comment="moves like one quantity on this page; raw values as seen",
            )
            for v in values
        )


def _in_order(signals: Iterable[Signal]) -> tuple[Signal, ...]:
    return tuple(sorted(signals, key=lambda s: s.start))


def _bits(start: int, length: int, big_endian: bool) -> Sequence[int]:
    return Signal("", start, length, big_endian).bits()


def find_selector(sample: U8) -> Selector | None:
    """The bits of the first byte that turn pages, if any do.

    Their values step from frame to frame, each comes often enough to be looked at, and all other
    bits flip clearly less often from one frame of a page to the next of it than from frame to
    frame.
    """
    if len(sample) < 2 * _LEAST_OF_A_PAGE or sample.shape[1] < 2:
        return None
    for selector in (Selector(0, 8), Selector(0, 4), Selector(4, 4)):
        pages = selector.of(sample)
        kinds, counts = np.unique(pages, return_counts=True)
        if not 2 <= len(kinds) <= _MOST_PAGES or counts.min() < _LEAST_OF_A_PAGE:
            continue
        if len(kinds) == 1 << selector.length or (np.diff(pages) != 0).mean() < 0.5:
            continue
        rest = sample[:, 1:]
        order = np.argsort(pages, kind="stable")
        same = np.diff(pages[order]) == 0
        within = _flips(rest[order][:-1][same], rest[order][1:][same])
        between = _flips(rest[:-1], rest[1:])
        if within < _CALMER * between:
            return selector
    return None


def _flips(before: U8, after: U8) -> float:
    """Bits that differ between payloads, on average."""
    return float(np.unpackbits(before ^ after, axis=1).sum(axis=1).mean()) if len(before) else 0.0


def undefined(
    found: Iterable[SurveyedIdentifier], names: Iterable[FrameKey], split: Iterable[FrameKey]
) -> tuple[SurveyedIdentifier, ...]:
    """The identifiers that nobody defines and that are no parts of longer messages."""
    known = {*names, *split}
    return tuple(one for one in found if one.key not in known)
