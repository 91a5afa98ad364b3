"""Kernel of CSV files: data frames on lines of the usual shape, all others left to careful reading.

Usual is a line of printable ASCII whose cells hold what the layout says in the commonest way; what
is accepted here is read exactly as :class:`busplan.capture.table_rows.Rows` reads it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from busplan.capture.cellkernels import (
    base64_bytes,
    clock,
    date,
    decimal_bytes,
    digits,
    fraction,
    hex_bytes,
    is_one,
)
from busplan.capture.chunks import LATEST_S
from busplan.capture.textkernels import CHANNEL_ROOM, FD_LENGTH, HEX_VALUE, NAME_ROOM, same_name
from busplan.frames.kinds import EXTENDED, FD, FD_LENGTHS, SENT
from busplan.kernels import kernel

# What ``form`` holds: the columns of each role, -1 where there is none, and how cells are written.
TIME, ID, BUS, LENGTH, EXT, RTR, ERR, DIR, FIRST, LAST = range(10)
COLUMNS = 10
LEAST, MOST, SEPARATOR, TIME_KIND, ID_DECIMAL, DATA_KIND, COMMA = range(COLUMNS, 17)
FORM_SIZE = 17
NUMBER, DATE, CLOCK = range(3)
HEX, DECIMAL, BASE64 = range(3)
YES_WORDS, NO_WORDS, SENT_WORDS = range(3)
"""Rows of ``words``: each word in small letters, its first byte in the lowest 8 bits."""

_NEWLINE, _RETURN, _SPACE, _TAB, _QUOTE, _REMARK = 10, 13, 32, 9, 34, 35
_PLAIN, _EDGE, _ODD = range(3)
_CODES = np.array(FD_LENGTHS, np.int64)


def _classes() -> Any:
    """What each byte may be: part of a cell, what ends one, or what has to be looked at."""
    table = np.full(256, _ODD, np.uint8)
    table[32:127] = _PLAIN
    table[_TAB] = _PLAIN
    table[_QUOTE] = _ODD
    table[_NEWLINE] = _EDGE
    return table


_CLASS = _classes()


@kernel
def parse_rows(
    text: Any,
    form: Any,
    scale: float,
    words: Any,
    time_s: Any,
    network: Any,
    identifier: Any,
    flags: Any,
    length: Any,
    payload: Any,
    names: Any,
    name_length: Any,
    others: Any,
    counts: Any,
) -> tuple[int, int, int, int, int]:
    """Parse whole lines; ``text`` must end with a line end.

    Fills the columns (times [s] as floats, networks as they appear in ``names``), ``others`` (first
    byte, end, line number from 1 and frames before it of each line left) and ``counts``: times
    without a zone, identifiers whose width was assumed, frames taken as CAN FD. Returns the numbers
    of frames, payload bytes, lines, other lines and channels; blank lines only count as lines.
    """
    needed = form[:COLUMNS].max() + 1
    kind = _CLASS.copy()
    kind[form[SEPARATOR]] = _EDGE
    begin = np.zeros(needed + 1, np.int64)
    end = np.zeros(needed + 1, np.int64)
    guess = np.zeros(256, np.int64)
    known = np.array([-1, 0])
    p = frames = used = lines = other = channels = 0
    while p < len(text):
        lines += 1
        first = p
        p, cells, sound = _cells(text, p, form[SEPARATOR], kind, needed, begin, end)
        if sound == 2:
            continue  # blank
        done = False
        if sound == 1 and form[LEAST] <= cells <= form[MOST]:
            for i in range(cells, needed):  # a short line: its payload ends early
                begin[i] = end[i] = first
            zone, stamp = _time(text, begin[form[TIME]], end[form[TIME]], form, scale, known)
            flag, value, assumed = _head(text, begin, end, form, words)
            count = _payload(text, begin, end, form, payload, used)
            stated = _stated(text, begin, end, form, count)
            if form[LAST] > form[FIRST] and 0 <= stated < count:
                count = stated
            if count > 8:
                flag |= FD
            fits = 0 <= count <= 64 and count == stated and (count <= 8 or FD_LENGTH[count])
            channel = 0
            if zone and flag >= 0 and fits and form[BUS] >= 0:
                low, high = begin[form[BUS]], end[form[BUS]]
                size = high - low
                channel = -1
                if size <= NAME_ROOM:
                    channel = guess[text[high - 1]]
                    if not same_name(names, name_length, channel, text, low, size, channels):
                        channel = 0
                        while channel < channels and not same_name(
                            names, name_length, channel, text, low, size, channels
                        ):
                            channel += 1
                    if channel == channels and channels < CHANNEL_ROOM:
                        for i in range(size):
                            names[channel, i] = text[low + i]
                        name_length[channel] = size
                        channels += 1
                    elif channel == channels:
                        channel = -1
                    if channel >= 0:
                        guess[text[high - 1]] = channel
            if zone and flag >= 0 and fits and channel >= 0:
                time_s[frames] = stamp
                network[frames] = channel
                identifier[frames] = value
                flags[frames] = flag
                length[frames] = count
                frames += 1
                used += count
                counts[0] += zone == 2
                counts[1] += assumed
                counts[2] += count > 8
                done = True
        if not done:
            others[other, 0] = first
            others[other, 1] = p - 1
            others[other, 2] = lines
            others[other, 3] = frames
            other += 1
    return frames, used, lines, other, channels


@kernel
def _cells(
    text: Any, p: int, separator: int, kind: Any, needed: int, begin: Any, end: Any
) -> tuple[int, int, int]:
    """The cells of a line without blanks and quotes around them: where the next line begins, how
    many there are, and 1 when all is plain, 2 when the line is blank, else 0."""
    sound = 1
    cells = quotes = 0
    dark = text[p] == _REMARK
    if dark:
        sound = 0
    low = p
    while True:
        while kind[text[p]] == _PLAIN:
            p += 1
        sign = text[p]
        if kind[sign] == _EDGE:
            if cells < needed:
                b, e = low, p
                if sign == _NEWLINE and e > b and text[e - 1] == _RETURN:
                    e -= 1
                if quotes:
                    if quotes != 2 or text[b] != _QUOTE or text[e - 1] != _QUOTE:
                        sound = 0
                    b += 1
                    e -= 1
                while b < e and text[b] <= _SPACE:
                    b += 1
                while b < e and text[e - 1] <= _SPACE:
                    e -= 1
                begin[cells], end[cells] = b, e
                dark = dark or quotes > 0 or b < e
            elif quotes:  # of a cell that is not looked at
                sound = 0
            cells += 1
            if sign == _NEWLINE:
                break
            dark = dark or separator > _SPACE
            low = p + 1
            quotes = 0
        elif sign == _QUOTE:
            quotes += 1
        elif sign != _RETURN or text[p + 1] != _NEWLINE:
            sound = 0
            dark = True
        p += 1
    if not dark and cells <= needed:
        sound = 2
    return p + 1, cells, sound


@kernel
def _time(text: Any, p: int, e: int, form: Any, scale: float, known: Any) -> tuple[int, float]:
    """1 and a time [s], 2 where it is a date without a zone; 0 where it is not of a usual form."""
    state = 1
    stamp = 0.0
    if form[TIME_KIND] == NUMBER:
        good, stamp, q = fraction(text, p, e, form[COMMA] != 0)
        if not good or q != e:
            return 0, 0.0
        stamp *= scale
    elif form[TIME_KIND] == DATE:
        state, stamp = date(text, p, e, known)
    else:
        state, stamp = clock(text, p, e)
    return (state, stamp) if stamp <= LATEST_S else (0, 0.0)


@kernel
def _head(text: Any, begin: Any, end: Any, form: Any, words: Any) -> tuple[int, int, bool]:
    """Flags, identifier and whether its width was assumed; flags are -1 where it is left."""
    nothing = (-1, 0, False)
    flag = 0
    for role in (RTR, ERR):
        at = form[role]
        if (
            at >= 0
            and begin[at] < end[at]
            and not is_one(text, begin[at], end[at], words[NO_WORDS])
        ):
            return nothing
    at = form[EXT]
    if at >= 0 and begin[at] < end[at] and not is_one(text, begin[at], end[at], words[NO_WORDS]):
        if not is_one(text, begin[at], end[at], words[YES_WORDS]):
            return nothing
        flag |= EXTENDED
    at = form[DIR]
    if at >= 0:
        if end[at] - begin[at] > 8:
            return nothing
        if is_one(text, begin[at], end[at], words[SENT_WORDS]):
            flag |= SENT
    p, e = begin[form[ID]], end[form[ID]]
    value = 0
    if form[ID_DECIMAL]:
        most = min(e, p + 10)
        start = p
        while p < most and 48 <= text[p] <= 57:
            value = value * 10 + (text[p] - 48)
            p += 1
    else:
        if e - p > 2 and text[p] == 48 and text[p + 1] | 32 == 120:
            p += 2
        most = min(e, p + 8)
        start = p
        while p < most and HEX_VALUE[text[p]] < 16:
            value = value << 4 | HEX_VALUE[text[p]]
            p += 1
    if p == start:
        return nothing
    called = False
    if p < e:
        sign = text[p] | 32
        called = sign == 120
        if not called and (form[ID_DECIMAL] or sign != 104):
            return nothing
        p += 1
    if p != e:
        return nothing
    assumed = form[EXT] < 0 and not called and value > 0x7FF
    if called or assumed:
        flag |= EXTENDED
    if value > (0x1FFF_FFFF if flag & EXTENDED else 0x7FF):
        return nothing
    return flag, value, assumed


@kernel
def _payload(text: Any, begin: Any, end: Any, form: Any, payload: Any, used: int) -> int:
    """The number of bytes, put into ``payload``; -1 where the payload is left."""
    kind = form[DATA_KIND]
    if form[LAST] == form[FIRST]:
        p, e = begin[form[FIRST]], end[form[FIRST]]
        if kind == HEX:
            return hex_bytes(text, p, e, payload, used)
        if kind == DECIMAL:
            return decimal_bytes(text, p, e, payload, used)
        return base64_bytes(text, p, e, payload, used)
    count = 0
    for column in range(form[FIRST], form[LAST] + 1):
        p, e = begin[column], end[column]
        if p == e:
            for rest in range(column + 1, form[LAST] + 1):
                if begin[rest] < end[rest]:
                    return -1
            break
        if count == 64:
            return -1
        value = 0
        if kind == HEX:
            if e - p > 2:
                return -1
            for i in range(p, e):
                if HEX_VALUE[text[i]] > 15:
                    return -1
                value = value << 4 | HEX_VALUE[text[i]]
        else:
            value = digits(text, p, e, e - p) if e - p < 4 else -1
            if not 0 <= value <= 255:
                return -1
        payload[used + count] = value
        count += 1
    return count


@kernel
def _stated(text: Any, begin: Any, end: Any, form: Any, count: int) -> int:
    """The length the line states, ``count`` where it has no column for it; -1 where left."""
    if form[LENGTH] < 0:
        return count
    p, e = begin[form[LENGTH]], end[form[LENGTH]]
    if not 0 < e - p < 4:
        return -1
    stated = digits(text, p, e, e - p)
    if 9 <= stated <= 15 and count == _CODES[stated]:
        return count
    return stated
