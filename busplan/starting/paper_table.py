"""Tables of messages on paper, as CSV or copied from a spreadsheet: one row a message or a signal.

The rules of this file: what cannot be read is told with its row, and the rest is used; what a table
leaves out and is taken nevertheless is told as taken. An identifier is hexadecimal when it or its
heading says so, and when any of its column does or holds a letter. What headings and cells say is
read by :mod:`busplan.starting.paper_cells`.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from busplan.capture.csv_columns import layout_of
from busplan.definitions.model import Message, Origin, Signal, Stated, unique
from busplan.errors import CaptureError
from busplan.starting import paper_cells as cells
from busplan.wording import listing

LARGEST = 2_000_000
"""Bytes of the largest table that is read."""
MOST_ROWS = 20_000
HEAD_WITHIN = 10
"""Rows within which the headings stand: titles and dates may come before them."""


@dataclass(frozen=True, slots=True)
class PaperTable:
    """What a table says.

    ``doubts`` are cells and rows that could not be used, each with its reason; ``taken`` is what
    the table does not say and was taken nevertheless.
    """

    file: str
    messages: tuple[Message, ...]
    doubts: tuple[str, ...]
    taken: tuple[str, ...] = ()


@dataclass(slots=True)
class _Reading:
    """A table as it is read: messages by identifier, and what there is to say of them."""

    file: str
    columns: dict[str, cells.Column]
    hexadecimal: bool
    messages: dict[tuple[bool, int], Message] = field(default_factory=dict)
    doubts: list[str] = field(default_factory=list)
    row: int = 0
    decimal: bool = False
    milliseconds: bool = False
    no_length: list[str] = field(default_factory=list)

    def doubt(self, text: object) -> None:
        """What is wrong with the row at hand."""
        self.doubts.append(f"row {self.row}: {text}")

    def unit(self, column: str) -> str:
        """The unit that a column's heading states."""
        return self.columns[column].unit if column in self.columns else ""

    def number(self, row: dict[str, str], column: str) -> float | int | None:
        """A number of the row; ``None`` and a doubt where the cell says something else."""
        try:
            return cells.number(row.get(column, ""))
        except ValueError as error:
            self.doubt(f"{column.replace('_', ' ')} {error}; it is left out")
            return None


def read_table(text: str, file: str) -> PaperTable | None:
    """The messages of a table, or ``None`` when its headings are not those of one.

    A table with the times and contents of frames is a capture and none of messages.
    """
    lines = text.replace("\r\n", "\n").split("\n")
    if _is_capture(lines):
        return None
    mark = max(",;\t|", key=lambda m: max(line.count(m) for line in lines[:HEAD_WITHIN]))
    try:
        records = list(
            zip(range(1, MOST_ROWS + 3), csv.reader(lines, delimiter=mark), strict=False)
        )
    except csv.Error:
        return None
    rows = [(number, row) for number, row in records if any(map(str.strip, row))]
    while rows and not _is_head(columns := cells.columns(rows[0][1])):
        rows = rows[1:]
        if rows and rows[0][0] > HEAD_WITHIN:
            return None
    if not rows:
        return None
    place = columns["identifier"].index
    told = [row[place].strip() for _, row in rows[1:] if len(row) > place]
    unit = columns["identifier"].unit
    hexadecimal = unit == "hex" or (unit != "dec" and any(map(_shows_hexadecimal, told)))
    reading = _Reading(file, columns, hexadecimal)
    used = {c.index for c in columns.values()}
    if unread := [h.strip()[:30] for i, h in enumerate(rows[0][1]) if h.strip() and i not in used]:
        what = "the column" if len(unread) == 1 else "the columns"
        reading.doubts.append(f"nothing was taken from {what} {listing(map(repr, unread), 6)}")
    if len(records) > MOST_ROWS + 1:
        reading.doubts.append(f"only its first {MOST_ROWS} rows are read")
        rows = rows[: MOST_ROWS + 1]
    for number, found in rows[1:]:
        reading.row = number
        row = {n: found[c.index].strip() for n, c in columns.items() if c.index < len(found)}
        try:
            _take(row, reading)
        except ValueError as error:
            reading.doubt(error)
    messages = _with_receivers(reading.messages.values())
    return PaperTable(file, messages, tuple(reading.doubts), tuple(_taken(reading)))


def _is_capture(lines: Sequence[str]) -> bool:
    """Whether the headings are those of recorded frames."""
    try:
        layout_of(lines, {}, "")
    except CaptureError:
        return False
    return True


def _is_head(columns: dict[str, cells.Column]) -> bool:
    """Whether headings are those of a table of messages."""
    return "identifier" in columns and bool(
        {"length", "cycle", "message", "signal"} & columns.keys()
    )


def _taken(reading: _Reading) -> Iterator[str]:
    """What the table does not say and was taken nevertheless."""
    if reading.decimal and reading.unit("identifier") != "dec":
        yield "identifiers without a sign of being hexadecimal taken as decimal"
    if reading.milliseconds:
        yield "periods without a unit taken as milliseconds"
    if reading.no_length:
        named = listing(reading.no_length, 4)
        yield f"no length stated of {named}: 8 bytes taken, or what the signals need"
    if long := [m.name for m in reading.messages.values() if m.fd]:
        yield f"more than 8 bytes taken as CAN FD, not as frames in a row: {listing(long, 4)}"


def _bare(text: str) -> str:
    """An identifier's digits, without what says that they are hexadecimal."""
    return re.sub(r"^0x|h$|^\$", "", text.strip().lower())


def _says_hexadecimal(told: str) -> bool:
    return told.lower().startswith(("0x", "$")) or told.lower().endswith("h")


def _shows_hexadecimal(told: str) -> bool:
    """Whether an identifier says that it is hexadecimal, or can be nothing else."""
    bare = _bare(told)
    letters = re.search("[a-f]", bare) is not None
    return bool(re.fullmatch("[0-9a-f]+", bare)) and (letters or _says_hexadecimal(told))


def _take(row: dict[str, str], reading: _Reading) -> None:
    """Add a row's message, or its signal to a message that is there."""
    told = row.get("identifier", "")
    hexadecimal = reading.hexadecimal or _says_hexadecimal(told)
    if not re.fullmatch("[0-9a-f]+" if hexadecimal else "[0-9]+", _bare(told)[:40]):
        raise ValueError(f'"{told[:30]}" is no identifier')
    identifier = int(_bare(told)[:40], 16 if hexadecimal else 10)
    if identifier >= 1 << 29:
        raise ValueError(f'"{told[:30]}" has more than 29 bits')
    extended = identifier > 0x7FF or len(_bare(told)) > 4
    key = (extended, identifier)
    messages = reading.messages
    if key not in messages:
        messages[key] = _message(row, key, reading)
        reading.decimal |= not hexadecimal and identifier > 9
    elif not row.get("signal"):
        raise ValueError(f"{messages[key].label} stands there twice")
    if row.get("signal"):
        message = messages[key]
        if message.has(row["signal"]):
            raise ValueError(f'{message.label} has the signal "{row["signal"][:30]}" twice')
        signal = _signal(row, message, reading)
        length = max(message.length, signal.last_byte + 1) if not row.get("length") else None
        grown = replace(message, signals=(*message.signals, signal))
        messages[key] = grown if length is None else replace(grown, length=length)


def _with_receivers(messages: Iterable[Message]) -> tuple[Message, ...]:
    """The messages, receivers told apart: spaces part them unless they are in a sender's name."""
    found = tuple(messages)
    senders = {s.casefold() for m in found for s in m.senders}

    def each(told: str) -> Iterator[str]:
        yield from [told] if _word(told).casefold() in senders else told.split()

    return tuple(
        replace(m, to=unique(_word(name) for told in m.to for name in each(told))) for m in found
    )


def _message(row: dict[str, str], key: tuple[bool, int], reading: _Reading) -> Message:
    extended, identifier = key
    digits = 8 if extended else 3
    event = bool(row.get("distance")) and not row.get("cycle")
    length = reading.number(row, "length")
    if length is not None and reading.unit("length") == "bits":
        length /= 8
    if length is not None and not (0 <= length <= 64 and length == int(length)):
        raise ValueError(f"{row['length'][:20]} {reading.unit('length')} are no length of a frame")
    name = _word(row.get("message", "")) or f"Message_{identifier:0{digits}X}"
    if length is None:
        reading.no_length.append(name)
    senders = tuple(filter(None, map(_word, _names(row.get("sender", "")))))
    period = _period(row, "distance" if event else "cycle", reading)
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
        file=reading.file,
        line=reading.row,
        to=unique(_names(row.get("receivers", ""))),
    )


def _period(row: dict[str, str], column: str, reading: _Reading) -> float | None:
    """A period [ms]; ``None`` where the row states none, and a doubt where it is not clear."""
    try:
        period, stated = cells.milliseconds(row.get(column, ""), reading.unit(column))
    except ValueError as error:
        reading.doubt(f"{error}; how often it is sent is left open")
        return None
    reading.milliseconds |= period is not None and not stated
    return period


def _signal(row: dict[str, str], message: Message, reading: _Reading) -> Signal:
    start, bits = reading.number(row, "start"), reading.number(row, "bits")
    if start is None or bits is None or not 1 <= bits <= 64 or not 0 <= start < 512:
        raise ValueError(f'the signal "{row["signal"][:30]}" needs a start bit and 1 to 64 bits')
    scale = reading.number(row, "scale")
    if scale == 0:
        raise ValueError(f'the signal "{row["signal"][:30]}" has a scale of 0')
    lowest, highest = reading.number(row, "minimum"), reading.number(row, "maximum")
    if lowest is not None and highest is not None and lowest > highest:
        reading.doubt(f"the range {lowest} to {highest} is none; it is left out")
        lowest = highest = None
    return Signal(
        name=_word(row["signal"]) or "Signal",
        start=int(start),
        length=int(bits),
        big_endian=cells.big_endian(row.get("order", "")),
        signed=cells.signed(row.get("signed", "")),
        is_float=cells.floating(row.get("signed", ""), int(bits)),
        scale=scale or 1,
        offset=reading.number(row, "offset") or 0,
        minimum=lowest,
        maximum=highest,
        unit=row.get("signal_unit", "")[:40],
        comment=row.get("comment", "")[:500],
    )


def _names(text: str) -> Iterator[str]:
    """Names of a cell: signs part them, spaces do not."""
    yield from filter(None, map(str.strip, re.split(r"[,;/+\n]+", text)))


def _word(text: str) -> str:
    """A name as a plan takes it."""
    return re.sub(r"[\s/*?@]+", "_", text.strip())[:100]
