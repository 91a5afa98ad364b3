"""Messages written as the tables of a part on paper: the way back from ``paper``.

The rules of this file: what is written reads back as the same messages; what is a default is left
out; texts are quoted so that no content can leave its quotes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from busplan.definitions.model import Message, Signal


def paper_text(part: str, messages: Iterable[Message], own: str | None = None) -> str:
    """TOML tables ``[[part.PART.message]]`` of messages; ``own`` is what they call the part."""
    head = f"part.{key_text(part)}.message"
    lines: list[str] = []
    for message in messages:
        lines += ["", f"[[{head}]]", *_lines(_message(message, own or part))]
        for signal in message.signals:
            lines += [f"[[{head}.signal]]", *_lines(_signal(signal, message.to))]
    return "\n".join(lines[1:]) + "\n" if lines else ""


def draft_part_text(part: str, messages: Iterable[Message]) -> str:
    """A part that is a draft, as tables to put into a plan."""
    head = (
        "# A draft that busplan made from a capture: put it into a plan, give names, take each\n"
        "# confidence out once its message is confirmed.\n"
    )
    return f"{head}[part.{key_text(part)}]\n\n{paper_text(part, messages)}"


def key_text(name: str) -> str:
    """A name as a key of TOML, quoted where it must be."""
    bare = name and name.isascii() and all(c.isalnum() or c in "_-" for c in name)
    return name if bare else quoted(name)


def quoted(text: str) -> str:
    """A text as a basic string of TOML, all that is not plain escaped."""
    return '"' + "".join(map(_character, text)) + '"'


def _character(one: str) -> str:
    if one in '"\\':
        return f"\\{one}"
    if one.isprintable():
        return one
    # TOML has no escape for half of a surrogate pair; such a text has none of its own either.
    number = 0xFFFD if 0xD800 <= ord(one) < 0xE000 else ord(one)
    return f"\\u{number:04X}" if number < 0x10000 else f"\\U{number:08X}"


def value_text(value: Any) -> str:
    """A plain value as TOML writes it; tables stand on one line."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, dict):
        pairs = (f"{key_text(str(k))} = {value_text(v)}" for k, v in value.items())
        return "{ " + ", ".join(pairs) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(value_text, value)) + "]"
    return quoted(str(value))


def _lines(pairs: Iterable[tuple[str, Any]]) -> Iterator[str]:
    for key, value in pairs:
        yield f"{key} = {value if key == 'identifier' else value_text(value)}"


def _message(message: Message, own: str) -> Iterator[tuple[str, Any]]:
    yield "name", message.name
    yield "identifier", f"0x{message.identifier:X}"
    if message.extended and message.identifier <= 0x7FF and message.j1939 is None:
        yield "extended", True
    yield "bytes", message.length
    if message.cycle is not None:
        yield "min_distance_ms" if message.event else "cycle_ms", _short(message.cycle.ms)
    elif message.event:
        yield "event", True
    if message.senders and own not in message.senders:
        yield "sender", message.senders[0]
    if message.to:
        yield "receivers", list(message.to)
    if message.fd:
        yield "fd", True
        if not message.bit_rate_switch:
            yield "bit_rate_switch", False
    if message.j1939 is not None:
        yield "j1939", True
    if message.comment:
        yield "comment", message.comment
    if message.confidence is not None:
        yield "confidence", round(message.confidence, 2)


def _signal(signal: Signal, to: tuple[str, ...]) -> Iterator[tuple[str, Any]]:
    yield "name", signal.name
    yield "start", signal.start
    yield "length", signal.length
    told = (
        ("byte_order", "big" if signal.big_endian else None),
        ("signed", signal.signed),
        ("floating", signal.is_float),
        ("scale", None if signal.scale == 1 else signal.scale),
        ("offset", signal.offset or None),
    )
    yield from ((key, value) for key, value in told if value)
    if signal.minimum is not None:
        yield "minimum", signal.minimum
    if signal.maximum is not None:
        yield "maximum", signal.maximum
    if signal.unit:
        yield "unit", signal.unit
    if signal.choices:
        yield "values", {str(raw): name for raw, name in signal.choices.items()}
    if signal.receivers != to:
        yield "receivers", list(signal.receivers)
    if signal.selects:
        yield "selects", True
    if signal.condition is not None:
        pages = [low if low == high else f"{low}-{high}" for low, high in signal.condition.ranges]
        yield "page", pages[0] if len(pages) == 1 and isinstance(pages[0], int) else pages
        yield "selector", signal.condition.selector
    if signal.comment:
        yield "comment", signal.comment


def _short(number: float) -> float | int:
    return int(number) if number == int(number) else number
