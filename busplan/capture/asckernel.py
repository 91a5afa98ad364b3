"""Kernel of ASC text: data frames of the usual shape, everything else left to the careful reader.

Two shapes of line, hexadecimal, with any number of blanks between the words::

    seconds.fraction  channel  identifier[x]  Rx|Tx  d  length  bytes …
    seconds.fraction  CANFD  channel  Rx|Tx  identifier[x]  [name]  BRS  ESI  code  length  bytes …

What follows the bytes (durations, bit counts, names) is only counted, in words: a line that goes on
otherwise than the others may be two that were joined.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from busplan.capture.chunks import LATEST_S, MOST_WORDS
from busplan.capture.textkernels import FD_LENGTH, HEX_VALUE
from busplan.frames.kinds import BRS, ESI, EXTENDED, FD, SENT
from busplan.kernels import kernel

_SPACE, _RETURN, _NEWLINE, _POINT = 32, 13, 10, 46
_TAB = 9


@kernel
def parse_lines(
    text: Any,
    time_ns: Any,
    channel: Any,
    identifier: Any,
    flags: Any,
    length: Any,
    payload: Any,
    others: Any,
    after: int,
    after_fd: int,
) -> tuple[int, int, int, int]:
    """Parse whole lines; ``text`` must end with a line end.

    Bits of ``after`` and ``after_fd`` are the numbers of words that may follow the bytes. Fills the
    columns (``channel`` as numbered in the file) and ``others``: first byte, end, line number from
    1, and frames before it, of each line that is not of the usual shape. Returns the numbers of
    frames, payload bytes, lines and other lines, blank ones not among them.
    """
    p = frames = used = lines = other = 0
    while p < len(text):
        lines += 1
        stamp, number, value, flag, count, end = _usual_line(text, p, payload, used)
        words = 0
        while text[end] != _NEWLINE:
            words += text[end] > _SPACE and text[end - 1] <= _SPACE
            end += 1
        usual = after_fd if flag & FD else after
        if count >= 0 and usual >> min(words, MOST_WORDS) & 1:
            time_ns[frames] = stamp
            channel[frames] = number
            identifier[frames] = value
            flags[frames] = flag
            length[frames] = count
            frames += 1
            used += count
        elif text[_blanks(text, p)] > _RETURN:  # blank lines are counted only
            others[other, 0] = p
            others[other, 1] = end
            others[other, 2] = lines
            others[other, 3] = frames
            other += 1
        p = end + 1
    return frames, used, lines, other


@kernel
def _blanks(text: Any, p: int) -> int:
    """Where the next word begins; every line ends with a line end, which is no blank."""
    while text[p] == _SPACE or text[p] == _TAB:
        p += 1
    return p


@kernel
def _number(text: Any, p: int, most: int) -> tuple[int, int]:
    """A decimal number of up to ``most`` digits and where it ends; ``-1`` when it is none."""
    value = 0
    first = p
    while 48 <= text[p] <= 57 and p - first < most:
        value = value * 10 + (text[p] - 48)
        p += 1
    if p == first or (text[p] != _SPACE and text[p] != _TAB and text[p] > _RETURN):
        return -1, p
    return value, p


@kernel
def _usual_line(text: Any, p: int, payload: Any, used: int) -> tuple[int, ...]:
    """Time, channel, identifier, flags and length of a line, and how far it was looked at.

    The length is -1 when the line is unusual.
    """
    nothing = (0, 0, 0, 0, -1, p)
    p = _blanks(text, p)
    seconds = digits = 0
    while 48 <= text[p] <= 57 and digits < 10:
        seconds = seconds * 10 + (text[p] - 48)
        digits += 1
        p += 1
    if digits == 0 or seconds >= LATEST_S or text[p] != _POINT:
        return nothing
    p += 1
    fraction = 0
    places = 9
    while 48 <= text[p] <= 57 and places > 0:
        fraction = fraction * 10 + (text[p] - 48)
        places -= 1
        p += 1
    if places == 9 or (text[p] != _SPACE and text[p] != _TAB):
        return nothing
    for _ in range(places):
        fraction *= 10
    stamp = seconds * 1_000_000_000 + fraction

    p = _blanks(text, p)
    flag = 0
    if text[p] == 67:  # C of CANFD
        for i in range(5):
            if text[p + i] != _CANFD[i]:
                return nothing
        if text[p + 5] != _SPACE and text[p + 5] != _TAB:
            return nothing
        p = _blanks(text, p + 5)
        flag = FD
    number, p = _number(text, p, 4)
    if number < 1:
        return nothing
    p = _blanks(text, p)
    if flag:
        sent, p = _direction(text, p)
        if sent < 0:
            return nothing
        value, p = _identifier(text, p)
    else:
        value, p = _identifier(text, p)
        if value < 0:
            return nothing
        sent, p = _direction(text, p)
    if value < 0 or sent < 0:
        return nothing
    if value >> 32:
        flag |= EXTENDED
        value &= 0x1FFF_FFFF
    flag |= sent

    if flag & FD:
        if not 48 <= text[p] <= 57:  # the message's name may stand here
            while text[p] > _SPACE:
                p += 1
            p = _blanks(text, p)
        for bit in (BRS, ESI):
            if text[p] != 48 and text[p] != 49:
                return nothing
            if text[p] == 49:
                flag |= bit
            if text[p + 1] != _SPACE and text[p + 1] != _TAB:
                return nothing
            p = _blanks(text, p + 1)
        if HEX_VALUE[text[p]] > 15 or text[p + 1] > _SPACE:
            return nothing
        p = _blanks(text, p + 1)
        count, p = _number(text, p, 2)
        if count < 0 or count > 64 or not FD_LENGTH[count]:
            return nothing
    else:
        if text[p] != 100 or text[p + 1] > _SPACE:  # d: data frame
            return nothing
        p = _blanks(text, p + 1)
        count = HEX_VALUE[text[p]]
        if count > 8 or text[p + 1] > _SPACE:
            return nothing
        p += 1
    for i in range(count):
        if text[p] == _SPACE:
            p += 1
        p = _blanks(text, p)
        high = HEX_VALUE[text[p]]
        if high > 15:
            return nothing
        low = HEX_VALUE[text[p + 1]]
        if low > 15 or text[p + 2] > _SPACE:
            return nothing
        payload[used + i] = high << 4 | low
        p += 2
    return stamp, number, value, flag, count, p


@kernel
def _direction(text: Any, p: int) -> tuple[int, int]:
    """The flag of ``Rx`` or ``Tx``, -1 for anything else, and where the next word begins."""
    if (text[p] != 82 and text[p] != 84) or text[p + 1] != 120 or text[p + 2] > _SPACE:
        return -1, p
    return SENT if text[p] == 84 else 0, _blanks(text, p + 2)


@kernel
def _identifier(text: Any, p: int) -> tuple[int, int]:
    """An identifier in range, bit 32 set when it is a 29-bit one, and where the next word begins.

    -1 when there is none.
    """
    value = digits = 0
    while HEX_VALUE[text[p]] < 16 and digits < 9:
        value = value << 4 | HEX_VALUE[text[p]]
        digits += 1
        p += 1
    if digits == 0:
        return -1, p
    if text[p] == 120 or text[p] == 88:
        if value > 0x1FFF_FFFF:
            return -1, p
        value |= 1 << 32
        p += 1
    elif value > 0x7FF:
        return -1, p
    if text[p] != _SPACE and text[p] != _TAB:
        return -1, p
    return value, _blanks(text, p)


_CANFD = np.frombuffer(b"CANFD", np.uint8)
