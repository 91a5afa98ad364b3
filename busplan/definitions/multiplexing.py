"""Which selector values a multiplexed signal goes with, as a DBC writes them.

Simple multiplexing marks the selector ``M`` and each signal ``m<value>``. Extended multiplexing
adds ``SG_MUL_VAL_`` statements that name the selector and give ranges of values; a signal marked
``m<value>M`` is itself a selector.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import NamedTuple

from busplan.definitions.statements import Statement

Ranges = tuple[tuple[int, int], ...]

_VALUES = re.compile(r"\s*SG_MUL_VAL_\s+(\d+)\s+(\w+)\s+(\w+)\s+([^;]*);")
_RANGE = re.compile(r"(\d+)\s*-\s*(\d+)")
_MARK = re.compile(r"\s*SG_\s+\w+\s+(?P<mark>(?:m(\d+))?(M?))\s*:")


class Mark(NamedTuple):
    """The multiplexer mark of an ``SG_`` line: the value it goes with, whether it selects."""

    value: int | None
    selects: bool


class Extended(NamedTuple):
    """One ``SG_MUL_VAL_`` statement."""

    identifier: int
    signal: str
    selector: str
    ranges: Ranges


def mark_of(line: Statement) -> Mark:
    """The mark of an ``SG_`` line; ``Mark(None, False)`` for an ordinary signal."""
    match = _MARK.match(line.text)
    if not match:
        return Mark(None, False)
    return Mark(int(match[2]) if match[2] else None, bool(match[3]))


def extended_of(statement: Statement) -> Extended | None:
    """What an ``SG_MUL_VAL_`` statement says; ``None`` for any other statement."""
    match = _VALUES.match(statement.text)
    if not match:
        return None
    ranges = tuple((int(low), int(high)) for low, high in _RANGE.findall(match[4]))
    return Extended(int(match[1]), match[2], match[3], ranges)


def joined(ranges: Iterable[tuple[int, int]]) -> Ranges:
    """Ranges sorted, with those that touch or overlap joined."""
    result: list[tuple[int, int]] = []
    for low, high in sorted(ranges):
        if result and low <= result[-1][1] + 1:
            result[-1] = (result[-1][0], max(high, result[-1][1]))
        else:
            result.append((low, high))
    return tuple(result)


def plain_text(statement: Statement) -> str:
    """The statement's text for cantools, without multiplexing.

    cantools lists every value of a range one by one, and looks at all signals of a message for each
    of its pages: a 32-bit range would cost all memory, 10,000 pages minutes. Selectors and values
    are read here instead.
    """
    if statement.keyword == "SG_" and (mark := _MARK.match(statement.text)):
        start, end = mark.start("mark"), mark.end("mark")
        return statement.text[:start] + " " * (end - start) + statement.text[end:]
    return "\n" if extended_of(statement) else statement.text
