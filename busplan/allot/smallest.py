"""The smallest part of something that still has a property."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

T = TypeVar("T")


def smallest_part(
    items: Sequence[T],
    has: Callable[[Sequence[T]], bool],
    *,
    stop: Callable[[], bool] = lambda: False,
) -> list[T]:
    """A part of ``items`` that ``has`` what all of them have, of which none can be left out; those
    that come first are taken rather.

    What a part has, every larger one must have as well. ``stop``: whether to leave it at what is
    known to suffice. By halves (Junker, QuickXplain, AAAI 2004, from memory): few questions where
    few are needed.
    """
    return [] if has([]) else _part([], False, items, has, stop)


def _part(
    base: list[T],
    grown: bool,
    items: Sequence[T],
    has: Callable[[Sequence[T]], bool],
    stop: Callable[[], bool],
) -> list[T]:
    if grown and has(base):
        return []
    if len(items) <= 1 or stop():
        return list(items)
    half = len(items) // 2
    first, second = items[:half], items[half:]
    of_second = _part([*base, *first], True, second, has, stop)
    of_first = _part([*base, *of_second], bool(of_second), first, has, stop)
    return of_first + of_second
