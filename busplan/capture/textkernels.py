"""Kernel of the text log: bytes to columns, no Python object per frame.

One line a frame: ``(seconds.fraction) channel identifier#payload``. Three hexadecimal digits make
an 11-bit identifier, eight a 29-bit one, or an error frame when bit 29 is set; ``#R`` is a remote
frame, ``##`` and one flags digit lead a CAN FD payload. The grammar is that of the SocketCAN text
log (Linux ``include/uapi/linux/can.h`` for the flag bits).

Constants: the flag bits equal those of :mod:`busplan.frames.table`, repeated here because a
kernel freezes them when it compiles.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from busplan.capture.chunks import LATEST_S
from busplan.frames.kinds import BRS, ERROR, ESI, EXTENDED, FD, FD_LENGTHS, REMOTE, SENT
from busplan.frames.words import (
    all_decimal,
    decimal,
    hexadecimal,
    hexadecimal_value,
    load_word,
    not_hexadecimal,
    store_word,
)
from busplan.kernels import kernel

NAME_ROOM = 64
"""Longest channel name [bytes]."""
CHANNEL_ROOM = 512
"""Most channels in one block of a file."""
PLACES = 64
"""Wrong lines of one block whose line numbers are kept."""

REASONS = (
    "does not begin with a believable time in parentheses",
    "has no readable channel name",
    "has no readable identifier of three or eight hexadecimal digits",
    "has an identifier out of range",
    "has a payload with an odd digit or a character that is not hexadecimal",
    "has a payload longer than its kind of frame can hold",
    "has a CAN FD payload length that no CAN FD frame can have",
    "has something unreadable after the frame",
    "names more channels than can be kept apart",
)
"""Why a line is set aside, by the kernel's reason number."""

_TIME, _CHANNEL, _IDENTIFIER, _RANGE, _HEX, _LONG, _FD_LENGTH, _REST, _ROOM = range(9)
_ERROR_BIT = 0x2000_0000
_NEWLINE, _RETURN, _SPACE, _HASH = 10, 13, 32, 35
_USUAL_ROOM = 96
"""More than the longest line of the usual shape, with the words read past its end."""
_ZEROS_2, _ZEROS_5, _ZEROS_6 = (np.uint64(int("30" * n, 16)) for n in (2, 5, 6))
_TIME_END = np.uint64(0x2029)
_U16, _U32, _U40, _U48 = (np.uint64(n) for n in (16, 32, 40, 48))
_FIRST_3 = np.uint64(0x80_8080)


def _hex_values() -> Any:
    table = np.full(256, 255, np.uint8)
    for value, digit in enumerate(b"0123456789abcdef"):
        table[digit] = value
    for value, digit in enumerate(b"ABCDEF", start=10):
        table[digit] = value
    return table


def _fd_lengths() -> Any:
    table = np.zeros(65, np.bool_)
    table[list(FD_LENGTHS)] = True
    return table


HEX_VALUE = _hex_values()
FD_LENGTH = _fd_lengths()


@kernel
def parse_lines(
    text: Any,
    time_ns: Any,
    network: Any,
    identifier: Any,
    flags: Any,
    length: Any,
    payload: Any,
    names: Any,
    name_length: Any,
    wrong: Any,
    places: Any,
) -> tuple[int, int, int, int, int]:
    """Parse whole lines; ``text`` must end with a line end.

    Fills the columns, the channel names in order of appearance, ``wrong`` (lines set aside by
    reason) and ``places`` (line number in this block and reason of the first ones). Returns the
    numbers of frames, payload bytes, lines, channels and frames whose length code exceeded 8.
    """
    end = len(text)
    p = 0
    frames = 0
    used = 0
    lines = 0
    channels = 0
    codes = 0
    kept_places = 0
    guess = np.zeros(256, np.int64)
    words = np.zeros(CHANNEL_ROOM, np.uint64)
    masks = np.zeros(CHANNEL_ROOM, np.uint64)
    while p < end:
        lines += 1
        if p + _USUAL_ROOM <= end:
            time, channel, value, flag, count, after = _usual_line(
                text, p, name_length, words, masks, channels, payload, used
            )
            if after:
                p = after
                time_ns[frames] = time
                network[frames] = channel
                identifier[frames] = value
                flags[frames] = flag
                length[frames] = count
                frames += 1
                used += count
                continue
        if text[p] == _NEWLINE:
            p += 1
            continue
        if text[p] == _RETURN and text[p + 1] == _NEWLINE:
            p += 2
            continue
        reason = -1
        start = used
        while True:  # one pass; `break` leaves it with the reason the line is set aside
            reason = _TIME
            if text[p] != 40:
                break
            p += 1
            seconds = 0
            digits = 0
            while 48 <= text[p] <= 57 and digits < 10:
                seconds = seconds * 10 + (text[p] - 48)
                digits += 1
                p += 1
            if digits == 0 or seconds >= LATEST_S:
                break
            fraction = 0
            places_left = 9
            if text[p] == 46:
                p += 1
                while 48 <= text[p] <= 57 and places_left > 0:
                    fraction = fraction * 10 + (text[p] - 48)
                    places_left -= 1
                    p += 1
            if text[p] != 41 or text[p + 1] != _SPACE:
                break
            while places_left > 0:
                fraction *= 10
                places_left -= 1
            p += 2

            reason = _CHANNEL
            name = p
            while text[p] > _SPACE and text[p] != 127:
                p += 1
            size = p - name
            if size == 0 or size > NAME_ROOM or text[p] != _SPACE:
                break
            channel = guess[text[p - 1]]
            if not same_name(names, name_length, channel, text, name, size, channels):
                channel = 0
                while channel < channels and not same_name(
                    names, name_length, channel, text, name, size, channels
                ):
                    channel += 1
                if channel == CHANNEL_ROOM:
                    reason = _ROOM
                    break
            p += 1

            reason = _IDENTIFIER
            value = 0
            digits = 0
            while HEX_VALUE[text[p]] < 16 and digits < 8:
                value = value << 4 | HEX_VALUE[text[p]]
                digits += 1
                p += 1
            if text[p] != 35 or (digits != 3 and digits != 8):
                break
            p += 1
            reason = _RANGE
            flag = 0
            if digits == 3:
                if value > 0x7FF:
                    break
            elif value & _ERROR_BIT:
                if value > 0x3FFF_FFFF:
                    break
                flag = ERROR
                value &= 0x1FFF_FFFF
            else:
                if value > 0x1FFF_FFFF:
                    break
                flag = EXTENDED

            count = 0
            room = 8
            if text[p] == 82:  # R: remote frame, perhaps with the length asked for
                flag |= REMOTE
                p += 1
                if 48 <= text[p] <= 56:
                    count = text[p] - 48
                    p += 1
            else:
                if text[p] == 35:  # second hash: CAN FD
                    p += 1
                    kind = HEX_VALUE[text[p]]
                    reason = _HEX
                    if kind > 15:
                        break
                    p += 1
                    flag |= FD
                    if kind & 1:
                        flag |= BRS
                    if kind & 2:
                        flag |= ESI
                    room = 64
                high = HEX_VALUE[text[p]]
                while high < 16:
                    low = HEX_VALUE[text[p + 1]]
                    if low > 15 or count == room:
                        break
                    payload[used] = high << 4 | low
                    used += 1
                    count += 1
                    p += 2
                    if text[p] == 46 and HEX_VALUE[text[p + 1]] < 16:
                        p += 1
                    high = HEX_VALUE[text[p]]
                reason = _LONG if count == room else _HEX
                if high < 16:
                    break
                reason = _FD_LENGTH
                if room == 64 and not FD_LENGTH[count]:
                    break
            if text[p] == 95 and room == 8 and count == 8 and 9 <= HEX_VALUE[text[p + 1]] <= 15:
                codes += 1
                p += 2

            reason = _HEX
            if text[p] > _SPACE:
                break
            reason = _REST
            if text[p] == _SPACE and (text[p + 1] == 82 or text[p + 1] == 84):
                if text[p + 1] == 84:
                    flag |= SENT
                p += 2
            while text[p] == _SPACE:
                p += 1
            if text[p] == _RETURN:
                p += 1
            if text[p] != _NEWLINE:
                break
            p += 1

            if channel == channels:
                for i in range(size):
                    names[channel, i] = text[name + i]
                name_length[channel] = size
                if size < 8:
                    for i in range(size + 1):
                        words[channel] |= np.uint64(text[name + i]) << np.uint64(8 * i)
                        masks[channel] |= np.uint64(255) << np.uint64(8 * i)
                channels += 1
            guess[text[name + size - 1]] = channel
            time_ns[frames] = seconds * 1_000_000_000 + fraction
            network[frames] = channel
            identifier[frames] = value
            flags[frames] = flag
            length[frames] = count
            frames += 1
            reason = -1
            break
        if reason >= 0:
            used = start
            wrong[reason] += 1
            if kept_places < PLACES:
                places[kept_places, 0] = lines
                places[kept_places, 1] = reason
                kept_places += 1
            while text[p] != _NEWLINE:
                p += 1
            p += 1
    return frames, used, lines, channels, codes


@kernel
def _usual_line(
    text: Any,
    p: int,
    name_length: Any,
    words: Any,
    masks: Any,
    channels: int,
    payload: Any,
    used: int,
) -> tuple[Any, ...]:
    """Parse a line of the usual shape, eight bytes at a time.

    Ten digits, point, six digits; a known channel of up to seven bytes; a classical data frame.
    Returns time, channel, identifier, flags, length and where the next line begins, or zeros when
    the line is not of this shape. At least ``_USUAL_ROOM`` bytes must follow ``p``.
    """
    nothing = (0, 0, 0, 0, 0, 0)
    front: Any = load_word(text, p + 1)
    middle = load_word(text, p + 9) << _U48 | _ZEROS_6
    back = load_word(text, p + 12)
    fraction = back << _U16 | _ZEROS_2
    if not (
        text[p] == 40
        and text[p + 11] == 46
        and back >> _U48 == _TIME_END
        and all_decimal(front)
        and all_decimal(middle)
        and all_decimal(fraction)
    ):
        return nothing
    seconds = np.int64(decimal(front)) * 100 + np.int64(decimal(middle))
    if seconds >= LATEST_S:
        return nothing
    time = seconds * 1_000_000_000 + np.int64(decimal(fraction)) * 1000

    name = load_word(text, p + 20)
    channel = 0
    while channel < channels and (masks[channel] == 0 or name & masks[channel] != words[channel]):
        channel += 1
    if channel == channels:
        return nothing
    p += 21 + name_length[channel]

    word = load_word(text, p)
    bad = not_hexadecimal(word)
    if bad == 0 and text[p + 8] == _HASH:
        value = np.int64(hexadecimal_value(word))
        flag = EXTENDED
        if value > 0x1FFF_FFFF:
            return nothing
        p += 9
    elif bad & _FIRST_3 == 0 and text[p + 3] == _HASH:
        value = np.int64(hexadecimal_value(word << _U40 | _ZEROS_5))
        flag = 0
        if value > 0x7FF:
            return nothing
        p += 4
    else:
        return nothing

    word = load_word(text, p)
    more = load_word(text, p + 8)
    count = 0
    if not_hexadecimal(word) | not_hexadecimal(more) == 0:
        store_word(payload, used, hexadecimal(word) | hexadecimal(more) << _U32)
        count = 8
    else:
        while count < 8 and HEX_VALUE[text[p + 2 * count]] < 16:
            low = HEX_VALUE[text[p + 2 * count + 1]]
            if low > 15:
                return nothing
            payload[used + count] = HEX_VALUE[text[p + 2 * count]] << 4 | low
            count += 1
    p += 2 * count
    if text[p] != _NEWLINE:
        return nothing
    return time, channel, value, flag, count, p + 1


@kernel
def same_name(
    names: Any, name_length: Any, channel: int, text: Any, at: int, size: int, known: int
) -> bool:
    """Whether the channel name at ``text[at]`` is the known one of that number."""
    if channel >= known or name_length[channel] != size:
        return False
    i = size - 1
    while i >= 0 and names[channel, i] == text[at + i]:
        i -= 1
    return i < 0
