"""Tables of messages on paper, as CSV or copied from a spreadsheet: one row a message or a signal.

The rules of this file: columns are told by their headings, in any order; what cannot be read is
told with its row, and the rest is used. An identifier is taken as hexadecimal when it says so
(``0x1F0``, ``1F0h``) or holds a letter, or when any of its column does.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from busplan.definitions.model import Message, Origin, Signal, Stated, unique

_COLUMNS = {
    "identifier": ("identifier", "id", "canid", "messageid", "frameid", "identifierhex", "idhex"),
    "length": ("length", "bytes", "dlc", "len", "size", "payload", "lengthbytes"),
    "cycle": (
        "cycle",
        "cyclems",
        "period",
        "periodms",
        "cycletime",
        "cycletimems",
        "rate",
        "ratems",
    ),
    "distance": ("mindistance", "mindistancems", "eventdistance", "onevent"),
    "message": ("message", "messagename", "name", "frame", "framename"),
    "sender": ("sender", "node", "from", "part", "source", "transmitter", "unit"),
    "receivers": ("receiver", "receivers", "to", "destination"),
    "signal": ("signal", "signalname"),
    "start": ("start", "startbit", "firstbit", "bit"),
    "bits": ("bits", "signallength", "bitlength", "width", "lengthbits"),
    "order": ("order", "byteorder", "endian", "endianness"),
    "signed": ("signed", "sign", "type", "kind"),
    "scale": ("scale", "factor", "resolution", "gain"),
    "offset": ("offset",),
    "signal_unit": ("units", "signalunit", "physicalunit"),
    "comment": ("comment", "remark", "description", "note"),
}
LARGEST = 2_000_000
"""Bytes of the largest table that is read."""
MOST_ROWS = 20_000


@dataclass(frozen=True, slots=True)
class PaperTable:
    """What a table says; ``doubts`` are rows that could not be used, each with its reason."""

    file: str
    messages: tuple[Message, ...]
    doubts: tuple[str, ...]


def read_table(text: str, file: str) -> PaperTable | None:
    """The messages of a table, or ``None`` when its headings are not those of one."""
    lines = [line for line in text.replace("\r\n", "\n").split("\n") if line.strip()]
    if not lines:
        return None
    mark = max(",;\t|", key=lines[0].count)
    try:
        rows = list(csv.reader(lines[: MOST_ROWS + 1], delimiter=mark))
    except csv.Error:
        return None
    columns = _columns(rows[0])
    if "identifier" not in columns or not {"length", "cycle", "message", "signal"} & set(columns):
        return None
    doubts: list[str] = []
    if len(lines) > MOST_ROWS + 1:
        doubts.append(f"only its first {MOST_ROWS} rows are read")
    hexadecimal = any(
        re.search("[a-fA-F]", _bare(row[columns["identifier"]]))
        for row in rows[1:]
        if len(row) > columns["identifier"]
    )
    messages: dict[tuple[bool, int], Message] = {}
    for number, cells in enumerate(rows[1:], 2):
        row = {name: cells[i].strip() for name, i in columns.items() if i < len(cells)}
        try:
            _take(row, messages, file, number, hexadecimal=hexadecimal)
        except ValueError as error:
            doubts.append(f"row {number}: {error}")
    return PaperTable(file, tuple(messages.values()), tuple(doubts))


def _columns(head: Sequence[str]) -> dict[str, int]:
    """Which column is what, the first that fits."""
    found: dict[str, int] = {}
    for index, heading in enumerate(head):
        word = re.sub(r"[^a-z]", "", re.sub(r"\[.*?\]|\(.*?\)", "", heading.lower()))
        whole = re.sub(r"[^a-z]", "", heading.lower())
        for name, words in _COLUMNS.items():
            if name not in found and (whole in words or word in words):
                found[name] = index
                break
    return found


def _bare(text: str) -> str:
    """An identifier's digits, without what says that they are hexadecimal."""
    return re.sub(r"^0x|h$|^\$", "", text.strip().lower())


def _take(
    row: dict[str, str],
    messages: dict[tuple[bool, int], Message],
    file: str,
    number: int,
    *,
    hexadecimal: bool,
) -> None:
    """Add a row's message, or its signal to a message that is there."""
    told = row.get("identifier", "")
    hexadecimal = hexadecimal or told.lower().startswith(("0x", "$")) or told.lower().endswith("h")
    try:
        identifier = int(_bare(told), 16 if hexadecimal else 10)
    except ValueError:
        raise ValueError(f'"{told[:30]}" is no identifier') from None
    if not 0 <= identifier < 1 << 29:
        raise ValueError(f'"{told[:30]}" has more than 29 bits')
    extended = identifier > 0x7FF or len(_bare(told)) > 4
    key = (extended, identifier)
    if key not in messages:
        messages[key] = _message(row, key, file, number)
    elif not row.get("signal"):
        raise ValueError(f"{messages[key].label} stands there twice")
    if row.get("signal"):
        message = messages[key]
        if message.has(row["signal"]):
            raise ValueError(f'{message.label} has the signal "{row["signal"][:30]}" twice')
        signal = _signal(row, message)
        length = max(message.length, signal.last_byte + 1) if not row.get("length") else None
        grown = replace(message, signals=(*message.signals, signal))
        messages[key] = grown if length is None else replace(grown, length=length)


def _message(row: dict[str, str], key: tuple[bool, int], file: str, number: int) -> Message:
    extended, identifier = key
    digits = 8 if extended else 3
    event = bool(row.get("distance")) and not row.get("cycle")
    period = _number(row.get("cycle") or row.get("distance") or "")
    if period is not None and not 0 < period <= 86_400_000:
        period = None
    length = _number(row.get("length", ""))
    if length is not None and not (0 <= length <= 64 and length == int(length)):
        raise ValueError(f"{row['length'][:20]} bytes are no length of a frame")
    name = _word(row.get("message", "")) or f"Message_{identifier:0{digits}X}"
    senders = tuple(filter(None, map(_word, _names(row.get("sender", "")))))
    return Message(
        name=name,
        identifier=identifier,
        extended=extended,
        length=8 if length is None and not row.get("signal") else int(length or 0),
        senders=senders[:1],
        fd=length is not None and length > 8,
        cycle=None if period is None else Stated(round(period * 1e6), Origin.PLAN),
        event=event,
        comment=row.get("comment", "")[:500] if not row.get("signal") else "",
        file=file,
        line=number,
        to=unique(filter(None, map(_word, _names(row.get("receivers", ""))))),
    )


def _signal(row: dict[str, str], message: Message) -> Signal:
    start, bits = _number(row.get("start", "")), _number(row.get("bits", ""))
    if start is None or bits is None or not 1 <= bits <= 64 or not 0 <= start < 512:
        raise ValueError(f'the signal "{row["signal"][:30]}" needs a start bit and 1 to 64 bits')
    order = row.get("order", "").lower()
    signed = row.get("signed", "").lower()
    return Signal(
        name=_word(row["signal"]) or "Signal",
        start=int(start),
        length=int(bits),
        big_endian=any(word in order for word in ("big", "motorola", "msb")),
        signed=signed in ("1", "yes", "true", "s", "-") or signed.startswith(("signed", "int")),
        scale=_number(row.get("scale", "")) or 1,
        offset=_number(row.get("offset", "")) or 0,
        unit=row.get("signal_unit", "")[:40],
        comment=row.get("comment", "")[:500],
    )


def _number(text: str) -> float | int | None:
    match = re.match(r"\s*([-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?)", text)
    if not match:
        return None
    value = float(match[1].replace(",", "."))
    return int(value) if value == int(value) else value


def _names(text: str) -> Iterator[str]:
    yield from re.split(r"[,;/+\s]+", text)


def _word(text: str) -> str:
    """A name as a plan takes it."""
    return re.sub(r"[\s/*?@]+", "_", text.strip())[:100]
