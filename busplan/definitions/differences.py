"""What differs between two versions of the same definitions: messages and signals, field by field.

The rules of this file: messages go together by name, else by identifier; signals by name, else by
the bits they lie in. A row tells one field of one thing, both values in words.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from types import NoneType
from typing import Any, Literal, TypeVar

from busplan.definitions.model import Message, MuxCondition, Signal, Stated
from busplan.wording import counted

T = TypeVar("T")
Kind = Literal["comes", "goes", "changes"]


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One difference. ``what`` is the field of ``where`` that changes, empty where the whole thing
    comes or goes; ``before`` and ``after`` are in words, ``None`` where there is nothing."""

    section: str
    kind: Kind
    where: str
    what: str
    before: str | None
    after: str | None


MESSAGE_FIELDS: Mapping[str, str] = {
    "name": "name",
    "label": "identifier",
    "length": "bytes",
    "cycle": "period",
    "event": "sent on change",
    "senders": "senders",
    "to": "receivers",
    "fd": "CAN FD",
    "bit_rate_switch": "bit-rate switch",
    "j1939": "J1939",
    "segmented": "segmented",
    "confidence": "confidence of the draft",
    "comment": "comment",
}
SIGNAL_FIELDS: Mapping[str, str] = {
    "name": "name",
    "start": "start bit",
    "length": "bits",
    "big_endian": "big-endian",
    "signed": "signed",
    "is_float": "floating-point",
    "scale": "scale",
    "offset": "offset",
    "minimum": "minimum",
    "maximum": "maximum",
    "unit": "unit",
    "choices": "value names",
    "receivers": "receivers",
    "selects": "selects the page",
    "condition": "page",
    "spn": "SPN",
    "comment": "comment",
}


def message_changes(
    before: Sequence[Message], after: Sequence[Message], section: str, where: str = ""
) -> Iterator[ChangeRow]:
    """The differences of two lists of messages; ``where`` goes before each name."""
    lead = f"{where}/" if where else ""
    for old, new in matched(before, after, lambda m: m.name, lambda m: (m.extended, m.identifier)):
        if old is None or new is None:
            one = new if old is None else old
            assert one is not None
            yield whole(section, lead + one.name, _told(one), comes=old is None)
            continue
        yield from field_changes(old, new, MESSAGE_FIELDS, section, lead + new.name)
        yield from _signals(old, new, section, lead + new.name)


def _told(message: Message) -> str:
    length, signals = counted(message.length, "byte"), counted(len(message.signals), "signal")
    return f"{message.label}, {length}, {signals}"


def _signals(old: Message, new: Message, section: str, where: str) -> Iterator[ChangeRow]:
    for a, b in matched(old.signals, new.signals, lambda s: s.name, _bits):
        if a is None or b is None:
            one = b if a is None else a
            assert one is not None
            told = f"bit {one.start}, {counted(one.length, 'bit')}"
            yield whole(section, f"{where}/{one.name}", told, comes=a is None)
        else:
            yield from field_changes(a, b, SIGNAL_FIELDS, section, f"{where}/{b.name}")


def _bits(signal: Signal) -> tuple[Any, ...]:
    return signal.start, signal.length, signal.big_endian, signal.condition


def matched(
    before: Iterable[T],
    after: Iterable[T],
    name: Callable[[T], Any],
    place: Callable[[T], Any],
) -> list[tuple[T | None, T | None]]:
    """Old and new things in pairs, by name or else by place, in the order of the new ones.

    What has no partner stands alone, what has gone last.
    """
    waiting = list(before)
    news = list(after)
    partner: dict[int, T] = {}
    for key in (name, place):
        known: dict[Any, list[T]] = {}
        for one in waiting:
            known.setdefault(key(one), []).append(one)
        for index, one in enumerate(news):
            if index not in partner and (found := known.get(key(one))):
                partner[index] = found.pop(0)
        taken = {id(one) for one in partner.values()}
        waiting = [one for one in waiting if id(one) not in taken]
    pairs: list[tuple[T | None, T | None]] = [(partner.get(i), n) for i, n in enumerate(news)]
    return pairs + [(one, None) for one in waiting]


def whole(section: str, where: str, told: str, *, comes: bool) -> ChangeRow:
    """That a whole thing comes or goes."""
    if comes:
        return ChangeRow(section, "comes", where, "", None, told)
    return ChangeRow(section, "goes", where, "", told, None)


def field_changes(
    before: Any,
    after: Any,
    words: Mapping[str, str],
    section: str,
    where: str,
    *,
    named: Collection[str] = (),
) -> Iterator[ChangeRow]:
    """One row for each field (by attribute, with its word) that differs.

    ``named``: attributes whose numbers are parts of identifiers, told as these are.
    """
    for attribute, word in words.items():
        old, new = getattr(before, attribute), getattr(after, attribute)
        if attribute in named:
            old, new = _hexadecimal(old), _hexadecimal(new)
        if isinstance(old, Mapping) and isinstance(new, Mapping):
            yield from _keyed(old, new, word, section, where)
        elif old != new and (shown := _both(old, new))[0] != shown[1]:
            yield ChangeRow(section, "changes", where, word, *shown)


def _hexadecimal(value: Any) -> Any:
    if isinstance(value, int):
        return f"0x{value:X}"
    if isinstance(value, tuple):
        return tuple(map(_hexadecimal, value))
    if isinstance(value, Mapping):
        return {key: _hexadecimal(one) for key, one in value.items()}
    return value


def _both(old: Any, new: Any) -> tuple[str | None, str | None]:
    """Both values in words; a list that nobody states is told apart from one that is empty."""
    if {type(old), type(new)} == {NoneType, tuple}:
        a, b = ("not stated" if v is None else in_words(v) for v in (old, new))
        return a, b
    return in_words(old), in_words(new)


def _keyed(
    old: Mapping[Any, Any], new: Mapping[Any, Any], word: str, section: str, where: str
) -> Iterator[ChangeRow]:
    """One row for each key of a table whose value differs."""
    for key in dict.fromkeys([*new, *old]):
        shown = in_words(old.get(key)), in_words(new.get(key))
        if shown[0] != shown[1]:
            yield ChangeRow(section, "changes", where, f"{word} {key}", *shown)


def in_words(value: Any) -> str | None:
    """A value as a person reads it; ``None`` for nothing."""
    if value is None or value in ((), "", {}, frozenset()):
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Stated):
        return f"{value.ms:g} ms"
    if is_dataclass(value) and not isinstance(value, MuxCondition | type):
        told = ((f.name, in_words(getattr(value, f.name))) for f in fields(value))
        return ", ".join(f"{n.replace('_', ' ')} {t}" for n, t in told if t is not None)
    if isinstance(value, MuxCondition):
        pages = ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in value.ranges)
        return f"{value.selector} = {pages}"
    if isinstance(value, Mapping):
        return ", ".join(f"{k} {v}" for k, v in sorted(value.items(), key=lambda i: str(i[0])))
    if isinstance(value, frozenset | set):
        value = tuple(sorted(map(str, value)))
    if isinstance(value, tuple | list):
        return ", ".join(str(in_words(v)) for v in value)
    return f"{value:g}" if isinstance(value, float) else str(value)
