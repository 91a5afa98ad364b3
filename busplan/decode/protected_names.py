"""What a signal's name says about its role: frame counters, checksums, versions and serials.

The rules of this file: a name alone condemns nothing; it tells where to look. Names as they are
usual in definition files: common practice, no source.
"""

from __future__ import annotations

import re

from busplan.definitions.model import Signal

COUNTER = re.compile(r"counter|cnt", re.IGNORECASE)
FRAME_COUNTER = re.compile(
    r"alive|rolling|sequence|(msg|message|frame)_?(count|cnt)|^(count|counter|cnt)$", re.IGNORECASE
)
EVENT_COUNTER = re.compile(
    r"error|err_|fault|retry|reset|trip|cycle|start|event|pulse|hour|day", re.IGNORECASE
)
"""Counters of something else than frames."""
CHECKSUM = re.compile(r"checksum|crc|chksum", re.IGNORECASE)
IDENTITY = re.compile(
    r"version|revision|serial(_?(no|nr|num|number))?(?![a-z])|(hw|sw|fw)_?(rev|ver|id)"
    r"|(hard|soft|firm)ware|part_?(no|nr|num|number)(?![a-z])|build_?(no|nr|num|date)?(?![a-z])",
    re.IGNORECASE,
)
UNITLESS = ("", "-", "1", "count", "counts")
"""Units of counts."""
NARROW = 4
"""Named counters up to this width [bit] count frames: there is no room for anything else."""


def may_count(signal: Signal) -> bool:
    """Whether a signal has the form of a counter, whatever its name."""
    plain = not (signal.is_float or signal.signed or signal.choices or signal.selects)
    return plain and 2 <= signal.length <= 16 and signal.unit in UNITLESS


def counts_frames(signal: Signal) -> bool:
    """Whether form, name and width say that a signal counts the frames of its message."""
    if not may_count(signal) or EVENT_COUNTER.search(signal.name):
        return False
    narrow = signal.length <= NARROW and bool(COUNTER.search(signal.name))
    return narrow or bool(FRAME_COUNTER.search(signal.name))


def is_named_checksum(signal: Signal) -> bool:
    """Whether a signal's name says that it is a checksum."""
    return not (signal.is_float or signal.is_text) and bool(CHECKSUM.search(signal.name))


def whole_byte(signal: Signal) -> int | None:
    """The payload byte an 8-bit signal fills exactly; ``None`` for any other signal."""
    first = 7 if signal.big_endian else 0
    return signal.start // 8 if signal.length == 8 and signal.start % 8 == first else None


def is_identity(signal: Signal) -> bool:
    """Whether a signal's name says that it tells which part this is, so that it never changes."""
    return not (signal.is_float or signal.selects or signal.unit) and bool(
        IDENTITY.search(signal.name)
    )
