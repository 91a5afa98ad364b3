"""The lines of a CSV file of one layout, each read with care: its frame, or what is wrong.

The rules of this file: numbers are read in the base, times in the unit that was told, is in the
headings or shows in the first lines; what stays unclear is asked for. Lines of the usual shape are
read by :mod:`busplan.capture.tablekernel` instead, with the same result.
"""

from __future__ import annotations

import binascii
import re
from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

from busplan.capture.canformats import CONTROL, HAS_CONTROL, OWN_START
from busplan.capture.csv_columns import (
    EXAMPLE,
    HEADING_WITHIN,
    MOST_COLUMNS,
    NO,
    SENT_WORDS,
    UNITS,
    YES,
    Layout,
    fields,
)
from busplan.capture.gather import NO_CHANNEL
from busplan.capture.tally import Tally
from busplan.errors import CaptureError
from busplan.findings import Weight
from busplan.frames.columns import I64
from busplan.frames.kinds import ERROR, EXTENDED, FD_LENGTHS, REMOTE, SENT
from busplan.wording import counted, one_line

_MOST_KEPT = 100_000
"""Identifiers whose reading is remembered."""
_CLOCK = re.compile(r"(?:(\d{1,4}):)?(\d{1,2}):(\d{1,2}(?:\.\d+)?)", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d+", re.ASCII)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.ASCII | re.IGNORECASE)
_HEX = re.compile(r"(?:0x)?([0-9a-f]{1,8})([xh]?)", re.IGNORECASE | re.ASCII)
_DEC = re.compile(r"(\d{1,10})(x?)", re.IGNORECASE | re.ASCII)
_APART = re.compile(r"[\s:,_.-]+")
_REMOTE = re.compile(r"rtr|remote( (frame|request))?", re.IGNORECASE)
_TWO_DIGITS = re.compile(r"[0-9A-Fa-f]{2}$")
_FLAG_OF = {"extended": EXTENDED, "remote": REMOTE, "error": ERROR}
_TIME_KINDS = ("number", "date", "clock")
"""As the kernel numbers them."""
_START = datetime(1970, 1, 1, tzinfo=UTC)


class WrongLineError(ValueError):
    """Why a line is no frame."""


Cells = tuple[float, str, int, int, int, bytes]
"""Time [s], channel, identifier, flags, stated length, payload."""


class Rows:
    """Reads lines of one layout; settled by the first of them where that leaves something open."""

    def __init__(self, layout: Layout, lines: Sequence[str], file: str) -> None:
        """``lines`` are the first of the file."""
        heading = lines[layout.heading - 1] if layout.heading else ""
        sample = lines[layout.heading :]
        self._layout, self._file = layout, file
        self._heading = heading.strip()
        cells = [fields(line, layout.separator) for line in sample]
        cells = [row for row in cells if len(row) >= layout.width]
        times = [row[layout.place["time"]] for row in cells]
        self._kind = self._time_kind(times)
        self._scale = self._time_scale(times) if self._kind == "number" else 1.0
        self._decimal = self._id_base([row[layout.place["id"]] for row in cells]) == "dec"
        first, last = layout.data
        self._apart = last > first
        bytes_of = [cell for row in cells for cell in row[first : last + 1]]
        self._decimal_bytes = self._data_base(bytes_of) == "dec"
        others = [place for role, place in layout.place.items() if role != "data"]
        stated = "length" in layout.place
        self._least = max(others) + 1 if stated and self._apart else layout.width
        self._base64 = layout.data_base == "base64"
        self._known: dict[str, tuple[int, bool]] = {}
        self.no_zone = False
        """Whether a time was a date without a zone."""
        self.width_assumed = 0
        """Identifiers whose line does not say that they have 29 bits."""

    def is_heading(self, number: int, text: str) -> bool:
        """Whether a line is one of headings: before the first frames, where columns are told by
        number, else one that repeats those of the file, as in files put one behind the other."""
        if self._layout.heading:
            return text.strip() == self._heading
        if number > HEADING_WITHIN:
            return False
        row = fields(text, self._layout.separator)
        at = self._layout.place["time"]
        return len(row) <= at or not any(c.isdigit() for c in row[at])

    def ends(self, line: bytes) -> bool:
        """Whether a last line without a line end is whole: it has as many bytes as it states.

        Only where the payload is the last that is read, in two digits a byte or in base 64.
        """
        layout, text = self._layout, line.decode("utf-8", "replace")
        at = layout.place
        last = self._apart is False and max(at.values()) == layout.data[0]
        if not last or "length" not in at or self._decimal_bytes:
            return False
        if not self._base64 and not _TWO_DIGITS.search(text):
            return False
        try:
            *_, stated, data = self.frame(text)
        except WrongLineError:
            return False
        return stated == len(data) > 0

    def frame(self, text: str) -> Cells:
        """One line; ``WrongLineError`` says what is wrong with it, ending ``the line …``."""
        if CONTROL.search(text):
            raise WrongLineError(HAS_CONTROL)
        layout = self._layout
        row = fields(text, layout.separator)
        if len(row) < self._least:
            raise WrongLineError(f"has fewer than {self._least} columns")
        place = layout.place
        time_s = self._time(row[place["time"]])
        flags = self._flags(row)
        identifier, extended = self._identifier(row[place["id"]], flags)
        data, remote = self._payload(row)
        if "extended" not in place and identifier > 0x7FF and not extended and not flags & ERROR:
            extended = True
            self.width_assumed += 1
        flags |= EXTENDED * extended | REMOTE * remote
        stated = len(data)
        if "length" in place:
            stated, data = self._stated(row[place["length"]], data, flags)
        return time_s, self._channel(row), identifier, flags, stated, data

    def goes_on(self, text: str) -> bool:
        """Whether a line has more cells than its layout can have."""
        return self._layout.closed and text.count(self._layout.separator) >= self._layout.width

    def form(self) -> I64:
        """What the kernel has to know of the layout, as :mod:`tablekernel` numbers it."""
        from busplan.capture import tablekernel as kernel

        layout = self._layout
        form = np.zeros(kernel.FORM_SIZE, np.int64)
        roles = ("time", "id", "bus", "length", "extended", "remote", "error", "direction")
        form[: len(roles)] = [layout.place.get(role, -1) for role in roles]
        form[kernel.FIRST], form[kernel.LAST] = layout.data
        form[kernel.LEAST] = self._least
        form[kernel.MOST] = layout.width if layout.closed else MOST_COLUMNS
        form[kernel.SEPARATOR] = ord(layout.separator)
        form[kernel.TIME_KIND] = _TIME_KINDS.index(self._kind)
        form[kernel.ID_DECIMAL] = self._decimal
        form[kernel.DATA_KIND] = kernel.DECIMAL if self._decimal_bytes else kernel.HEX
        if self._base64:
            form[kernel.DATA_KIND] = kernel.BASE64
        form[kernel.COMMA] = layout.separator != ","
        return form

    @property
    def heading(self) -> int:
        """The number of the line with the headings, 0 when there is none."""
        return self._layout.heading

    @property
    def knows_channels(self) -> bool:
        """Whether there is a column for them."""
        return "bus" in self._layout.place

    @property
    def scale(self) -> float:
        """What a time that is a number counts in [s]."""
        return self._scale

    def tell(self, tally: Tally) -> None:
        """Tell the tally what was decided for the whole file."""
        if self._kind == "clock":
            tally.clock = OWN_START
        if self.no_zone:
            tally.zone_unknown()
        if self.width_assumed:
            tally.remark(
                "identifier-width-assumed",
                Weight.NOTE,
                f"no column says which identifiers have 29 bits; "
                f"{counted(self.width_assumed, 'frame')} above 0x7FF taken so, all others as 11",
                why="A 29-bit identifier below 0x800 would be taken for another message.",
                action="Nothing, unless such identifiers are used.",
            )

    def _channel(self, row: Sequence[str]) -> str:
        return self.channel(row[self._layout.place["bus"]] if "bus" in self._layout.place else "")

    @staticmethod
    def channel(name: str) -> str:
        """The channel that a cell names, a number ``1`` as ``can1``."""
        if name.isdecimal() and name.isascii() and len(name) < 6:
            return f"can{int(name)}"
        return name or NO_CHANNEL

    def _flags(self, row: Sequence[str]) -> int:
        """The flags that have columns of their own."""
        place, flags = self._layout.place, 0
        for role, flag in _FLAG_OF.items():
            if role in place and self._yes(row[place[role]]):
                flags |= flag
        if "direction" in place and row[place["direction"]].lower() in SENT_WORDS:
            flags |= SENT
        return flags

    @staticmethod
    def _yes(cell: str) -> bool:
        word = cell.lower()
        if word in YES:
            return True
        if word in NO:
            return False
        raise WrongLineError("says neither yes nor no where it should")

    def _identifier(self, cell: str, flags: int) -> tuple[int, bool]:
        """The identifier, and whether the cell itself calls it one of 29 bits."""
        found = self._known.get(cell)
        if found is None:
            shape = (_DEC if self._decimal else _HEX).fullmatch(cell)
            if shape is None:
                if flags & ERROR and not cell:
                    return 0, False
                raise WrongLineError("has an identifier that is no number")
            found = int(shape[1], 10 if self._decimal else 16), shape[2].lower() == "x"
            if len(self._known) < _MOST_KEPT:
                self._known[cell] = found
        return found

    def _payload(self, row: Sequence[str]) -> tuple[bytes, bool]:
        """The bytes, and whether the cell says that the frame is a remote one."""
        first, last = self._layout.data
        if self._apart:
            cells = [cell for cell in row[first : last + 1] if cell]
            if any(row[first + len(cells) : last + 1]):
                raise WrongLineError("has a gap in its payload")
            return self._bytes(cells), False
        cell = row[first]
        if self._base64:
            return self._grouped(cell), False
        if cell[:1] in "rR" and _REMOTE.fullmatch(cell):
            return b"", True
        if not self._decimal_bytes:
            try:
                return bytes.fromhex(cell), False
            except ValueError:
                pass
        return self._bytes([part for part in _APART.split(cell) if part]), False

    @staticmethod
    def _grouped(cell: str) -> bytes:
        """Bytes in base 64 (RFC 4648); only what comes back the same is read."""
        try:
            found = binascii.a2b_base64(cell.encode(), strict_mode=True)
            if binascii.b2a_base64(found, newline=False).decode() == cell:
                return found
        except (ValueError, UnicodeEncodeError):
            pass
        raise WrongLineError("has a payload that is not all bytes")

    def _bytes(self, parts: Sequence[str]) -> bytes:
        try:
            if self._decimal_bytes:
                return bytes([int(part) for part in parts])
            bare = [part[2:] if part[:2] in ("0x", "0X") else part for part in parts]
            if len(bare) > 1 and any(len(part) > 2 for part in bare):
                raise ValueError
            return bytes.fromhex("".join(part.zfill(2) for part in bare))
        except ValueError:
            raise WrongLineError("has a payload that is not all bytes") from None

    def _stated(self, cell: str, data: bytes, flags: int) -> tuple[int, bytes]:
        """The length the line states, and the payload; a length code of CAN FD means its bytes."""
        if not _WHOLE.fullmatch(cell) or len(cell) > 4:
            raise WrongLineError("has a length that is no number")
        stated = int(cell)
        if 9 <= stated <= 15 and len(data) == FD_LENGTHS[stated]:
            stated = len(data)
        if self._apart and not flags & REMOTE:
            data = data[: max(stated, 0)]
        return stated, data

    def _time(self, cell: str) -> float:
        """Seconds since 1970, or since the file's own start."""
        try:
            if self._kind == "number":
                return float(self._point(cell)) * self._scale
            if self._kind == "clock":
                return _clock_seconds(cell)
            moment = _date(cell)
        except ValueError:
            raise WrongLineError("has a time that is none") from None
        if moment.tzinfo is None:
            self.no_zone = True
            moment = moment.replace(tzinfo=UTC)
        return (moment - _START).total_seconds()

    def _point(self, cell: str) -> str:
        return cell if self._layout.separator == "," else cell.replace(",", ".")

    def _time_kind(self, cells: Sequence[str]) -> str:
        """Whether times are numbers, dates or clock times: what most of the first ones are."""
        votes = dict.fromkeys(_TIME_KINDS, 0)
        for cell in cells:
            if _NUMBER.fullmatch(self._point(cell)):
                votes["number"] += 1
            elif _CLOCK.fullmatch(cell):
                votes["clock"] += 1
            else:
                try:
                    _date(cell)
                    votes["date"] += 1
                except ValueError:
                    continue
        kind = max(votes, key=lambda name: votes[name])
        if not votes[kind]:
            shown = f", for example {one_line(cells[0], 30)!r}" if cells else ""
            raise CaptureError(
                f"{self._file}: the column {self._layout.name('time')!r} holds no times{shown}; "
                f"say which does with {EXAMPLE}"
            )
        return kind

    def _time_scale(self, cells: Sequence[str]) -> float:
        """What a time's one is worth [s]: as told, else seconds, where they have decimals."""
        if self._layout.time_unit:
            return UNITS[self._layout.time_unit]
        if all(_WHOLE.fullmatch(cell) for cell in cells if cell):
            name = self._layout.name("time")
            raise CaptureError(
                f"{self._file}: the times in {name!r} are whole numbers and nothing says of what; "
                f"say it with --columns time={name}:ms (or :s, :us, :ns)"
            )
        return 1.0

    def _id_base(self, cells: Sequence[str]) -> str:
        """The base of identifiers: as told, else hexadecimal where the figures show it."""
        if self._layout.id_base:
            return self._layout.id_base
        shown = [cell for cell in cells if _HEX.fullmatch(cell)]
        letters = any(re.search("[a-fA-F]|0[xX]|[xXhH]$", cell) for cell in shown)
        filled = any(cell.startswith("0") and len(cell) > 1 for cell in shown)
        if letters or filled or not shown:
            return "hex"
        raise self._unclear("id", "identifiers")

    def _data_base(self, cells: Sequence[str]) -> str:
        """The base of payload bytes: as told, else what the figures show."""
        if self._layout.data_base:
            return self._layout.data_base
        parts = [part for cell in cells for part in _APART.split(cell) if part]
        if any(re.search("[a-fA-F]|0[xX]", part) or len(part) > 3 for part in parts):
            return "hex"
        if any(len(part) == 3 for part in parts):
            return "dec"
        if all(len(part) == 2 for part in parts) or all(len(part) == 1 for part in parts):
            return "hex"
        raise self._unclear("data", "bytes")

    def _unclear(self, role: str, what: str) -> CaptureError:
        name = self._layout.name(role)
        return CaptureError(
            f"{self._file}: the {what} in {name!r} could be hexadecimal or decimal; say it with "
            f"--columns {role}={name}:hex or {role}={name}:dec"
        )


def _clock_seconds(cell: str) -> float:
    found = _CLOCK.fullmatch(cell)
    if found is None:
        raise ValueError
    hours, minutes, seconds = found.groups()
    return 3600 * int(hours or 0) + 60 * int(minutes) + float(seconds)


def _date(cell: str) -> datetime:
    """A date with its time of day as ISO 8601 writes it; ``ValueError`` for anything else."""
    moment = datetime.fromisoformat(cell)
    if ":" not in cell:
        raise ValueError
    return moment
