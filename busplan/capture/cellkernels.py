"""Kernels for the cells of CSV files: numbers, dates, clock times, words and bytes as written.

Each takes the text and where a cell begins and ends, and accepts only what it reads exactly as
:class:`busplan.capture.table_rows.Rows` does; anything else it leaves.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from busplan.capture.textkernels import HEX_VALUE
from busplan.frames.words import load_word
from busplan.kernels import kernel

_SPACE, _TAB = 32, 9
_TO_SECOND = 19
"""Signs of a date with its time of day, without what is below a second."""
_POINT, _COMMA, _COLON, _MINUS, _PLUS = 46, 44, 58, 45, 43
_EXACT = 1 << 53
"""Whole numbers below this are exact as float64, so one division rounds as reading text does."""
_DIGITS = 18
"""Digits that fit 64 bits; powers of ten up to 10**22 are exact as float64."""
_MONTHS = np.array([0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334, 365], np.int64)
"""Days before each month of a year that is no leap year."""


def _base64_values() -> Any:
    table = np.full(256, 255, np.uint8)
    signs = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
    for value, sign in enumerate(signs):
        table[sign] = value
    return table


def _apart() -> Any:
    table = np.zeros(256, np.bool_)
    table[list(b" \t:,_.-")] = True
    return table


_BASE64, _BETWEEN = _base64_values(), _apart()
_TEN = np.array([10.0**n for n in range(_DIGITS + 2)])


@kernel
def fraction(text: Any, p: int, e: int, comma: bool) -> tuple[bool, float, int]:
    """Digits with at most one point as the float nearest to them, and where they end."""
    whole = 0
    first = p
    most = min(e, p + _DIGITS + 1)
    while p < most and 48 <= text[p] <= 57:
        whole = whole * 10 + (text[p] - 48)
        p += 1
    places = 0
    found = p - first
    if p < most and (text[p] == _POINT or (comma and text[p] == _COMMA)):
        p += 1
        point = p
        while p < most and 48 <= text[p] <= 57:
            whole = whole * 10 + (text[p] - 48)
            p += 1
        places = p - point
        found += places
    good = 0 < found <= _DIGITS and whole < _EXACT
    return good, whole / _TEN[places], p


@kernel
def digits(text: Any, p: int, e: int, many: int) -> int:
    """The number that ``many`` digits write, -1 where there are fewer."""
    if p + many > e:
        return -1
    value = 0
    for i in range(many):
        if not 48 <= text[p + i] <= 57:
            return -1
        value = value * 10 + (text[p + i] - 48)
    return value


@kernel
def clock(text: Any, p: int, e: int) -> tuple[int, float]:
    """``[hours:]minutes:seconds`` as seconds."""
    before = 0
    widest = 4  # digits of what comes next: hours four at most, minutes and seconds two
    colons = 0
    while colons < 2:
        q = p
        value = 0
        while q < e and 48 <= text[q] <= 57 and q - p < widest:
            value = value * 10 + (text[q] - 48)
            q += 1
        if q in (p, e) or text[q] != _COLON:
            break
        narrow = q - p <= 2
        before = 60 * before + value
        colons += 1
        widest = 2
        p = q + 1
    if colons == 0 or (colons == 1 and not narrow):
        return 0, 0.0
    q = p
    while q < e and 48 <= text[q] <= 57:
        q += 1
    if not 1 <= q - p <= 2 or (q < e and (text[q] != _POINT or q + 1 == e)):
        return 0, 0.0
    good, seconds, q = fraction(text, p, e, False)
    return (1, 60 * before + seconds) if good and q == e else (0, 0.0)


@kernel
def date(text: Any, p: int, e: int, known: Any) -> tuple[int, float]:
    """``2026-05-04T08:00:00.123456+02:00`` as seconds since 1970; 2 where no zone is stated.

    ``known`` is where a second was last worked out (-1: nowhere yet) and what it is: most lines of
    a capture share it with the one before.
    """
    at = known[0]
    if (
        at >= 0
        and p + _TO_SECOND <= e
        and load_word(text, p) == load_word(text, at)
        and load_word(text, p + 8) == load_word(text, at + 8)
        and load_word(text, p + _TO_SECOND - 8) == load_word(text, at + _TO_SECOND - 8)
    ):
        second = int(known[1])
    else:
        second = _second(text, p, e)
        known[0], known[1] = p, second
    if second < 0:
        return 0, 0.0
    micro = second * 1_000_000
    p += _TO_SECOND
    if p < e and text[p] == _POINT:
        p += 1
        unit = 100_000
        start = p
        while p < e and 48 <= text[p] <= 57 and unit:
            micro += (text[p] - 48) * unit
            unit //= 10
            p += 1
        if p == start:
            return 0, 0.0
    state = 2
    if p < e and text[p] == 90:  # Z
        state = 1
        p += 1
    elif p < e and (text[p] == _PLUS or text[p] == _MINUS):
        ahead, more = digits(text, p + 1, e, 2), digits(text, p + 4, e, 2)
        if not 0 <= ahead <= 23 or not 0 <= more <= 59 or text[p + 3] != _COLON:
            return 0, 0.0
        shift = (ahead * 60 + more) * 60_000_000
        micro += -shift if text[p] == _PLUS else shift
        state = 1
        p += 6
    if p != e or micro < 0:
        return 0, 0.0
    return state, micro / 1e6


@kernel
def _second(text: Any, p: int, e: int) -> int:
    """``2026-05-04T08:00:00`` as seconds since 1970, -1 where it is not that."""
    year, month, day = digits(text, p, e, 4), digits(text, p + 5, e, 2), digits(text, p + 8, e, 2)
    hour, minute = digits(text, p + 11, e, 2), digits(text, p + 14, e, 2)
    second = digits(text, p + 17, e, 2)
    if min(year, month, day, hour, minute, second) < 0 or not (
        text[p + 4] == _MINUS
        and text[p + 7] == _MINUS
        and (text[p + 10] == 84 or text[p + 10] == _SPACE)
        and text[p + 13] == _COLON
        and text[p + 16] == _COLON
    ):
        return -1
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    if year < 1970 or not 1 <= month <= 12 or day < 1 or hour > 23 or minute > 59 or second > 59:
        return -1
    if day > _MONTHS[month] - _MONTHS[month - 1] + (leap and month == 2):
        return -1
    past = year - 1
    days = 365 * (year - 1970) + past // 4 - past // 100 + past // 400 - 477
    days += int(_MONTHS[month - 1]) + day - 1 + (leap and month > 2)
    return ((days * 24 + hour) * 60 + minute) * 60 + second


@kernel
def is_one(text: Any, p: int, e: int, words: Any) -> bool:
    """Whether a cell is one of the words, in letters of any case."""
    if e - p > 8:
        return False
    word = np.uint64(0)
    for i in range(e - p):
        sign = np.uint64(text[p + i])
        if np.uint64(65) <= sign <= np.uint64(90):
            sign += np.uint64(32)
        word |= sign << np.uint64(8 * i)
    for known in words:
        if known == word:
            return e > p
    return False


@kernel
def hex_bytes(text: Any, p: int, e: int, payload: Any, used: int) -> int:
    """Bytes of two digits each, side by side or all apart by one sign."""
    count = 0
    between = 0
    while p < e:
        if count and between == 0:
            between = 2 if _BETWEEN[text[p]] else 1
        if between == 2 and count:
            if not _BETWEEN[text[p]]:
                return -1
            p += 1
        if p + 2 > e or count == 64:
            return -1
        high, low = HEX_VALUE[text[p]], HEX_VALUE[text[p + 1]]
        if high > 15 or low > 15:
            return -1
        payload[used + count] = high << 4 | low
        count += 1
        p += 2
    return count


@kernel
def decimal_bytes(text: Any, p: int, e: int, payload: Any, used: int) -> int:
    """Bytes as decimal numbers with signs between them."""
    count = 0
    while p < e:
        value = digits = 0
        while p < e and 48 <= text[p] <= 57 and digits < 4:
            value = value * 10 + (text[p] - 48)
            digits += 1
            p += 1
        if digits == 0 or value > 255 or count == 64:
            return -1
        payload[used + count] = value
        count += 1
        if p < e and not _BETWEEN[text[p]]:
            return -1
        while p < e and _BETWEEN[text[p]]:
            p += 1
    return count


@kernel
def base64_bytes(text: Any, p: int, e: int, payload: Any, used: int) -> int:
    """Bytes in base 64 (RFC 4648), the last group filled up."""
    if (e - p) % 4:
        return -1
    count = 0
    while p < e:
        group = 0
        signs = 4
        if p + 4 == e:
            signs -= (text[p + 3] == 61) + (text[p + 3] == 61 and text[p + 2] == 61)
        for i in range(signs):
            value = _BASE64[text[p + i]]
            if value > 63:
                return -1
            group |= int(value) << (18 - 6 * i)
        spare = group & (0xFFFF if signs == 2 else 0xFF if signs == 3 else 0)
        if spare or count + signs - 1 > 64:
            return -1
        for i in range(signs - 1):
            payload[used + count] = group >> (16 - 8 * i) & 255
            count += 1
        p += 4
    return count
