"""What cantools read, as our own messages and signals.

cantools keeps neither line numbers nor the ranges of extended multiplexing; both come from the
statements, which stand in the same order as its messages and signals.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from busplan.definitions.j1939 import split_identifier
from busplan.definitions.mending import short_names
from busplan.definitions.model import (
    LONGEST_MS,
    NO_CHOICES,
    SHORTEST_MS,
    FixedMap,
    Message,
    MuxCondition,
    Origin,
    Signal,
    Stated,
    unique,
)
from busplan.definitions.multiplexing import Ranges, extended_of, joined, mark_of
from busplan.definitions.statements import Block, Statement

Selections = Mapping[tuple[int, str], tuple[str, Ranges]]
"""(identifier as the file writes it, signal) → selector and ranges, from ``SG_MUL_VAL_``."""

DRAFT = "DraftConfidence"
"""Attribute of messages that nobody has confirmed yet: a number from 0 to 1."""

_ON_CHANGE = ("spontan", "change", "write", "event", "trigger", "ifactive")


def selections(statements: Iterable[Statement]) -> Selections:
    """All ``SG_MUL_VAL_`` statements; several for one signal and selector are joined."""
    found: dict[tuple[int, str], tuple[str, Ranges]] = {}
    for said in filter(None, map(extended_of, statements)):
        key = (said.identifier, said.signal)
        selector, before = found.get(key, (said.selector, ()))
        ranges = before + said.ranges if selector == said.selector else said.ranges
        found[key] = (said.selector, joined(ranges))
    return found


def convert_message(
    source: Any, block: Block, chosen: Selections, *, file: str, j1939_file: bool
) -> Message:
    """A cantools message with its statements as a :class:`Message`."""
    fd = bool(source.is_fd)
    is_j1939 = source.is_extended_frame and (source.protocol == "j1939" or j1939_file)
    event = _is_event(source.send_type)
    return Message(
        name=source.name,
        identifier=source.frame_id,
        extended=bool(source.is_extended_frame),
        length=source.length,
        signals=_signals(source, block, chosen),
        senders=unique(_named(source.senders)),
        fd=fd,
        bit_rate_switch=fd and _bit_rate_switch(source),
        cycle=_cycle(source, event),
        event=event,
        j1939=split_identifier(source.frame_id) if is_j1939 else None,
        comment=source.comment or "",
        confidence=_confidence(source),
        file=file,
        line=block.head.line,
    )


def node_names(database: Any, messages: Sequence[Message]) -> tuple[str, ...]:
    """The nodes a file lists, or, when it lists none, those its messages mention."""
    listed = unique(n.name for n in database.nodes)
    mentioned = (n for m in messages for n in (*m.senders, *m.receivers))
    return listed or unique(mentioned)


def _named(nodes: Iterable[str]) -> Iterable[str]:
    """Without the placeholder that DBC writers put where there is no node."""
    return (n for n in nodes if n.lower() != "vector__xxx")


def _signals(source: Any, block: Block, chosen: Selections) -> tuple[Signal, ...]:
    lines = _lines_of(source, block)
    marks = [mark_of(line) for line in lines]
    short = [line.signal or "" for line in lines]
    chosen_names, _ = short_names(short, [s.name for s in source.signals])
    names = dict(zip(short, chosen_names, strict=True))
    roots = [
        line.signal or ""
        for line, mark in zip(lines, marks, strict=True)
        if mark.selects and mark.value is None
    ]
    number = block.head.identifier or 0
    signals = []
    for signal, name, line, mark in zip(source.signals, chosen_names, lines, marks, strict=True):
        selector, ranges = chosen.get((number, line.signal or ""), ("", ()))
        if mark.value is not None and not selector and len(roots) == 1:
            selector = roots[0]
        # A single selector: the mark counts beside the ranges. Several: the mark is a stand-in.
        if mark.value is not None and (not ranges or sum(m.selects for m in marks) == 1):
            ranges = joined((*ranges, (mark.value, mark.value)))
        paged = bool(selector) or mark.value is not None
        condition = MuxCondition(names.get(selector, selector), ranges) if paged else None
        signals.append(replace(_signal(signal, mark.selects, condition), name=name))
    return tuple(signals)


def _lines_of(source: Any, block: Block) -> Sequence[Statement]:
    """The ``SG_`` line of each signal, in cantools' order.

    A text torn across lines can make cantools see other lines than we do; then signals and lines
    go together by name, and a signal without a line of its own counts as an ordinary one.
    """
    if len(block.signals) == len(source.signals):
        return block.signals
    by_name = {line.signal: line for line in block.signals}
    head = block.head
    return [
        by_name.get(s.name) or Statement("SG_", f" SG_ {s.name} ", head.line, head.start)
        for s in source.signals
    ]


def _signal(source: Any, selects: bool, condition: MuxCondition | None) -> Signal:
    return Signal(
        name=source.name,
        start=source.start,
        length=source.length,
        big_endian=source.byte_order == "big_endian",
        signed=source.is_signed,
        is_float=source.is_float,
        scale=source.scale,
        offset=source.offset,
        minimum=source.minimum,
        maximum=source.maximum,
        unit=source.unit or "",
        choices=_choices(source.choices),
        receivers=unique(_named(source.receivers)),
        selects=selects,
        condition=condition,
        comment=source.comment or "",
        spn=source.spn or None,
    )


def _choices(source: Mapping[int, Any] | None) -> Mapping[int, str]:
    if not source:
        return NO_CHOICES
    return FixedMap({int(value): str(text) for value, text in source.items()})


def _attribute(source: Any, name: str) -> tuple[Any, bool]:
    """A message attribute's value and whether the message itself states it."""
    details = source.dbc
    if details is None:
        return None, False
    stated = (details.attributes or {}).get(name)
    if stated is not None:
        return stated.value, True
    definition = details.attribute_definitions.get(name)
    return (None if definition is None else definition.default_value), False


def _confidence(source: Any) -> float | None:
    """How sure the file is of a message that it calls a draft."""
    value, stated = _attribute(source, DRAFT)
    return float(value) if stated and isinstance(value, int | float) else None


def _cycle(source: Any, event: bool) -> Stated | None:
    """The period, or the least distance of a message sent on change that states no period."""
    cycle = _span(source, "GenMsgCycleTime")
    return _span(source, "GenMsgDelayTime") if cycle is None and event else cycle


def _span(source: Any, name: str) -> Stated | None:
    """A time attribute [ms]; zero, and what no plan could state, means "not stated"."""
    value, stated = _attribute(source, name)
    if not isinstance(value, (int, float)) or not SHORTEST_MS <= value <= LONGEST_MS:
        return None
    return Stated(round(value * 1e6), Origin.DEFINITION if stated else Origin.FILE_DEFAULT)


def _is_event(send_type: str | None) -> bool:
    """Whether a send type says "on change" and not (also) "cyclic"."""
    word = (send_type or "").lower().replace(" ", "").replace("_", "")
    cyclic = "cyclic" in word and "ifactive" not in word
    return not cyclic and any(mark in word for mark in _ON_CHANGE)


def _bit_rate_switch(source: Any) -> bool:
    """What ``CANFD_BRS`` says; a CAN FD message that does not say is taken to switch."""
    value, _ = _attribute(source, "CANFD_BRS")
    return value is None or str(value) in {"1", "1.0", "True", "true"}
