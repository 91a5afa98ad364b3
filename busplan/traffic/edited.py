"""Drafts put together with what people have edited and noted, and held against recordings.

The rules of this file: what somebody has edited counts whole and stays; a draft fills only what
nobody has described. A value is impossible when its own definition says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from busplan.decode.codec import DecodedSignal, decode_message
from busplan.definitions.j1939 import same_group
from busplan.definitions.model import Message
from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey, format_identifier
from busplan.frames.table import FrameTable


def unknown_keys(
    frames: FrameTable, networks: Sequence[str], known: Iterable[Message]
) -> list[FrameKey]:
    """Identifiers of ``networks`` (all, when none is named) that ``known`` lacks, each once."""
    listed = list(known)
    seen = {(m.extended, m.identifier) for m in listed}
    groups = [m.identifier for m in listed if m.j1939 is not None]
    keys = []
    for key in frames.groups:
        one = (key.extended, key.identifier)
        grouped = key.extended and any(same_group(g, key.identifier) for g in groups)
        if (networks and key.network not in networks) or one in seen or grouped:
            continue
        seen.add(one)
        keys.append(key)
    return keys


@dataclass(frozen=True, slots=True)
class Merged:
    """Definitions put together: ``kept`` stay as they were, ``noted`` come from notes, ``drafted``
    from frames."""

    messages: tuple[Message, ...]
    kept: int
    noted: int
    drafted: int


def merged(
    existing: Sequence[Message], notes: Sequence[Message], drafts: Sequence[Message]
) -> Merged:
    """What people have edited stays; notes fill what it lacks, drafts what neither has.

    Of one identifier the edited message counts whole. A note without signals takes those of the
    draft, and its confidence. Names that would be there twice get the identifier behind them.
    """
    found: dict[tuple[bool, int], Message] = {_key(m): m for m in existing}
    drafted = {_key(m): m for m in drafts}
    noted = 0
    for note in notes:
        if _key(note) in found:
            continue
        noted += 1
        draft = drafted.pop(_key(note), None)
        found[_key(note)] = note if draft is None else _filled(note, draft)
    fresh = [m for k, m in drafted.items() if k not in found]
    found |= {_key(m): m for m in fresh}
    return Merged(_named_once(found.values()), len(existing), noted, len(fresh))


def _key(message: Message) -> tuple[bool, int]:
    return message.extended, message.identifier


def _filled(note: Message, draft: Message) -> Message:
    """A note with what it leaves open taken from the draft."""
    if note.signals:
        return replace(note, cycle=note.cycle or draft.cycle)
    return replace(
        draft,
        name=note.name,
        senders=note.senders,
        to=note.to,
        cycle=note.cycle or draft.cycle,
        event=note.event if note.cycle else draft.event,
        comment=" ".join(filter(None, (note.comment, draft.comment))),
    )


def _named_once(messages: Iterable[Message]) -> tuple[Message, ...]:
    used: set[str] = set()
    result = []
    for message in messages:
        name = message.name
        if name in used:
            name = f"{name}_{format_identifier(message.identifier, message.extended)[2:]}"
        used.add(name)
        result.append(message if name == message.name else replace(message, name=name))
    return tuple(result)


@dataclass(frozen=True, slots=True)
class Impossible:
    """A signal whose recorded values cannot be right: how many of how many, and why."""

    message: str
    signal: str
    values: int
    of: int
    least: float
    most: float
    reason: str


def impossible_values(table: FrameTable, messages: Iterable[Message]) -> tuple[Impossible, ...]:
    """Signals that a recording contradicts: outside their range, no number, a name nobody gave.

    Frames count for a message by identifier, whatever network they are of.
    """
    by_key: Mapping[tuple[bool, int], list[I64]] = _rows(table)
    found: list[Impossible] = []
    for message in messages:
        parts = by_key.get(_key(message))
        if parts is None:
            continue
        rows = np.concatenate(parts)
        decoded = decode_message(table, rows, message)
        for name, one in decoded.signals.items():
            if not one.signal.is_text:
                found += _doubts(message, name, one)
    return tuple(found)


def _rows(table: FrameTable) -> dict[tuple[bool, int], list[I64]]:
    found: dict[tuple[bool, int], list[I64]] = {}
    for key, rows in table.groups.items():
        found.setdefault((key.extended, key.identifier), []).append(rows)
    return found


def _doubts(message: Message, name: str, one: DecodedSignal) -> Iterator[Impossible]:
    values = one.values[one.present]
    if not len(values):
        return
    signal = one.signal
    numbers = values.astype(np.float64)
    finite = np.isfinite(numbers)
    reasons = []
    outside = one.out_of_range[one.present]
    if outside.any():
        unit = f" {signal.unit}" if signal.unit else ""
        told = f"outside {signal.minimum} to {signal.maximum}{unit}"
        reasons.append((int(outside.sum()), told))
    if not finite.all():
        reasons.append((int((~finite).sum()), "no number"))
    if len(signal.choices) > 1:
        unnamed = ~np.isin(one.raw[one.present], list(signal.choices))
        if unnamed.any():
            reasons.append((int(unnamed.sum()), "a raw value without a name"))
    shown = numbers[finite] if finite.any() else np.zeros(1)
    for count, reason in reasons:
        yield Impossible(
            message.name,
            name,
            count,
            len(values),
            float(shown.min()),
            float(shown.max()),
            reason,
        )
