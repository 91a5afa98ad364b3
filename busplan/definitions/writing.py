"""Messages and signals as the text of a DBC file.

The rules of this file: what it writes, :func:`busplan.definitions.dbc.parse_dbc` and cantools read
back to the same values. Names become what the format allows; one that is too long for it keeps its
whole text in an attribute, as DBC files do. Texts go in disarmed, and the file is meant for
Windows-1252, which readers of DBC files take by default (:func:`dbc_bytes`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from busplan.definitions.convert import DRAFT
from busplan.definitions.model import Message, Signal
from busplan.wording import disarmed, spelled

LONGEST_NAME = 32
_NOBODY = "Vector__XXX"
"""What stands in a DBC file where there is no node."""
_FORMATS = ["StandardCAN", "ExtendedCAN", "reserved", "J1939PG", *["reserved"] * 10]
_FORMATS += ["StandardCAN_FD", "ExtendedCAN_FD"]
_EXTENDED = 0x8000_0000


def dbc_text(
    messages: Sequence[Message],
    nodes: Iterable[str] = (),
    *,
    comment: str = "",
    bit_rate: int | None = None,
) -> str:
    """A DBC file of messages that differ in identifier and in name.

    ``nodes`` stand in it whether or not they send; ``bit_rate`` [bit/s] as a hint.
    """
    names = _Names()
    listed = [*nodes, *(n for m in messages for n in (*m.senders, *m.receivers))]
    for node in dict.fromkeys(listed):
        names.add("node", node)
    parts = ['VERSION ""', "", "NS_ :", "", "BS_:", ""]
    parts += ["BU_: " + " ".join(names.get("node", n) for n in dict.fromkeys(listed)), ""]
    for message in messages:
        parts += [*_block(message, names), ""]
    parts += _more_senders(messages, names)
    parts += [f"CM_ {_quoted(comment)};"] * bool(comment)
    parts += _comments(messages, names)
    parts += ["", *_attributes(messages, names, bit_rate), ""]
    parts += _values(messages, names)
    parts += _value_types(messages, names)
    parts += _extended_multiplexing(messages, names)
    return "\n".join(parts).rstrip() + "\n"


def dbc_bytes(text: str) -> bytes:
    """The text in Windows-1252; signs that it lacks are spelled."""
    return "".join(c if _in_1252(c) else spelled(c) for c in text).encode("cp1252")


def _in_1252(character: str) -> bool:
    try:
        character.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return True


class _Names:
    """Names as the format allows them: letters, digits and ``_``, 32 at most, none twice."""

    def __init__(self) -> None:
        self._given: dict[tuple[str, str], str] = {}
        self._used: set[tuple[str, str]] = set()
        self._whole: set[tuple[str, str]] = set()
        self.long: list[tuple[str, str, str]] = []
        """Kind, name in the file and whole name of those that were cut."""

    def add(self, kind: str, name: str) -> str:
        """A new name within ``kind`` (nodes, messages, the signals of one message)."""
        plain = re.sub(r"\W", "_", spelled(name), flags=re.ASCII) or "_"
        if plain[0].isdigit():
            plain = f"_{plain}"
        short = plain[:LONGEST_NAME]
        number = 1
        while (kind, short) in self._used or short == _NOBODY:
            tail = f"_{number}"
            short = plain[: LONGEST_NAME - len(tail)] + tail
            number += 1
        self._used.add((kind, short))
        self._given[kind, name] = short
        if short != plain and (kind, plain) not in self._whole:
            self._whole.add((kind, plain))
            self.long.append((kind, short, plain))
        return short

    def get(self, kind: str, name: str) -> str:
        """The name given to ``name`` before."""
        return self._given[kind, name]


def _number(message: Message) -> int:
    return message.identifier | (_EXTENDED if message.extended else 0)


def _signals_of(message: Message) -> str:
    return f"signal of {_number(message)}"


def _block(message: Message, names: _Names) -> Iterator[str]:
    name = names.add("message", message.name)
    sender = names.get("node", message.senders[0]) if message.senders else _NOBODY
    yield f"BO_ {_number(message)} {name}: {message.length} {sender}"
    for signal in message.signals:
        names.add(_signals_of(message), signal.name)
    for signal in message.signals:
        yield _signal(message, signal, names)


def _signal(message: Message, signal: Signal, names: _Names) -> str:
    name = names.get(_signals_of(message), signal.name)
    mark = ""
    if signal.condition is not None and signal.condition.ranges:
        mark = f" m{signal.condition.ranges[0][0]}"
    if signal.selects:
        mark = f"{mark}M" if mark else " M"
    order, sign = 0 if signal.big_endian else 1, "-" if signal.signed else "+"
    low, high = (0 if v is None else v for v in (signal.minimum, signal.maximum))
    receivers = ",".join(names.get("node", r) for r in signal.receivers) or _NOBODY
    return (
        f" SG_ {name}{mark} : {signal.start}|{signal.length}@{order}{sign} "
        f"({_figure(signal.scale)},{_figure(signal.offset)}) [{_figure(low)}|{_figure(high)}] "
        f"{_quoted(signal.unit)} {receivers}"
    )


def _figure(value: float | int) -> str:
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        return str(int(value))
    return repr(value)


def _quoted(text: str) -> str:
    """A text in quotes; one that ends in a backslash would swallow the closing one."""
    plain = "\n".join(map(disarmed, text.splitlines())).replace('"', '\\"')
    return f'"{plain} "' if plain.endswith("\\") else f'"{plain}"'


def _more_senders(messages: Iterable[Message], names: _Names) -> Iterator[str]:
    for message in messages:
        if len(message.senders) > 1:
            senders = ",".join(names.get("node", s) for s in message.senders)
            yield f"BO_TX_BU_ {_number(message)} : {senders};"


def _comments(messages: Iterable[Message], names: _Names) -> Iterator[str]:
    for message in messages:
        number = _number(message)
        if message.comment:
            yield f"CM_ BO_ {number} {_quoted(message.comment)};"
        for signal in message.signals:
            if signal.comment:
                name = names.get(_signals_of(message), signal.name)
                yield f"CM_ SG_ {number} {name} {_quoted(signal.comment)};"


def _attributes(messages: Sequence[Message], names: _Names, bit_rate: int | None) -> Iterator[str]:
    j1939 = any(m.j1939 is not None for m in messages)
    fd = any(m.fd for m in messages)
    spns = any(s.spn is not None for m in messages for s in m.signals)
    whole = all(m.cycle is None or m.cycle.ns % 1_000_000 == 0 for m in messages)
    number = "INT 0 86400000" if whole else "FLOAT 0 86400000"
    formats = ",".join(f'"{f}"' for f in _FORMATS)
    long = {
        "node": ("BU_", "SystemNodeLongSymbol"),
        "message": ("BO_", "SystemMessageLongSymbol"),
    }
    kinds = {long.get(k, ("SG_", "SystemSignalLongSymbol")) for k, _, _ in names.long}
    stated = [
        ("", "BusType", "STRING", '""', True),
        ("", "Baudrate", "INT 0 8000000", "0", bit_rate is not None),
        ("", "ProtocolType", "STRING", '""', j1939),
        ("BO_ ", "GenMsgCycleTime", number, "0", True),
        ("BO_ ", "GenMsgDelayTime", number, "0", True),
        ("BO_ ", "GenMsgSendType", 'ENUM "Cyclic","OnChange"', '"Cyclic"', True),
        ("BO_ ", "VFrameFormat", f"ENUM {formats}", '"StandardCAN"', True),
        ("BO_ ", "CANFD_BRS", 'ENUM "0","1"', '"0"', fd),
        ("BO_ ", DRAFT, "FLOAT 0 1", "0", any(m.confidence is not None for m in messages)),
        ("SG_ ", "SPN", "INT 0 524287", "0", spns),
        *((f"{where} ", name, "STRING", '""', True) for where, name in sorted(kinds)),
    ]
    used = [entry for entry in stated if entry[-1]]
    for where, name, kind, _, _ in used:
        yield f'BA_DEF_ {where}"{name}" {kind};'
    for _, name, _, default, _ in used:
        yield f'BA_DEF_DEF_ "{name}" {default};'
    yield f'BA_ "BusType" "{"CAN FD" if fd else "CAN"}";'
    if bit_rate is not None:
        yield f'BA_ "Baudrate" {bit_rate};'
    if j1939:
        yield 'BA_ "ProtocolType" "J1939";'
    for message in messages:
        yield from _message_attributes(message, names)
    yield from _long_names(messages, names)


def _message_attributes(message: Message, names: _Names) -> Iterator[str]:
    number = _number(message)
    if message.cycle is not None:
        name = "GenMsgDelayTime" if message.event else "GenMsgCycleTime"
        yield f'BA_ "{name}" BO_ {number} {_figure(message.cycle.ns / 1e6)};'
    if message.event:
        yield f'BA_ "GenMsgSendType" BO_ {number} 1;'
    kind = (14 if message.fd else 0) + (1 if message.extended else 0)
    if message.j1939 is not None and not message.fd:
        kind = 3
    if kind:
        yield f'BA_ "VFrameFormat" BO_ {number} {kind};'
    if message.bit_rate_switch:
        yield f'BA_ "CANFD_BRS" BO_ {number} 1;'
    if message.confidence is not None:
        yield f'BA_ "{DRAFT}" BO_ {number} {_figure(message.confidence)};'
    for signal in message.signals:
        if signal.spn is not None:
            name = names.get(_signals_of(message), signal.name)
            yield f'BA_ "SPN" SG_ {number} {name} {signal.spn};'


def _long_names(messages: Iterable[Message], names: _Names) -> Iterator[str]:
    numbers = {names.get("message", m.name): _number(m) for m in messages}
    for kind, short, whole in names.long:
        if kind == "node":
            yield f'BA_ "SystemNodeLongSymbol" BU_ {short} "{whole}";'
        elif kind == "message":
            yield f'BA_ "SystemMessageLongSymbol" BO_ {numbers[short]} "{whole}";'
        else:
            number = kind.rpartition(" ")[2]
            yield f'BA_ "SystemSignalLongSymbol" SG_ {number} {short} "{whole}";'


def _values(messages: Iterable[Message], names: _Names) -> Iterator[str]:
    for message in messages:
        for signal in message.signals:
            if signal.choices:
                name = names.get(_signals_of(message), signal.name)
                pairs = " ".join(f"{v} {_quoted(t)}" for v, t in signal.choices.items())
                yield f"VAL_ {_number(message)} {name} {pairs} ;"


def _value_types(messages: Iterable[Message], names: _Names) -> Iterator[str]:
    for message in messages:
        for signal in message.signals:
            if signal.is_float and signal.length in (32, 64):
                name = names.get(_signals_of(message), signal.name)
                kind = 1 if signal.length == 32 else 2
                yield f"SIG_VALTYPE_ {_number(message)} {name} : {kind};"


def _extended_multiplexing(messages: Iterable[Message], names: _Names) -> Iterator[str]:
    """Where one mark a signal cannot say it: several selectors, or more than one value."""
    for message in messages:
        selectors = [s for s in message.signals if s.selects]
        paged = [s for s in message.signals if s.condition is not None and s.condition.ranges]
        simple = len(selectors) == 1 and all(
            s.condition is not None
            and len(s.condition.ranges) == 1
            and s.condition.ranges[0][0] == s.condition.ranges[0][1]
            for s in paged
        )
        if simple:
            continue
        for signal in paged:
            assert signal.condition is not None
            kind = _signals_of(message)
            if not message.has(signal.condition.selector):
                continue
            ranges = ", ".join(f"{a}-{b}" for a, b in signal.condition.ranges)
            yield (
                f"SG_MUL_VAL_ {_number(message)} {names.get(kind, signal.name)} "
                f"{names.get(kind, signal.condition.selector)} {ranges};"
            )
