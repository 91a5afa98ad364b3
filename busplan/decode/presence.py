"""Which frames carry which signal: long enough for it, and its selectors as they must be."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property
from typing import Any

import numpy as np

from busplan.decode.extract import Extracted
from busplan.decode.text import Tail
from busplan.definitions.model import Message, MuxCondition, Signal
from busplan.definitions.multiplexing import Ranges, joined
from busplan.frames.columns import Array, Mask


class PresencePlan:
    """The conditions of chosen signals of a message, compiled; signals with the same share them.

    A signal whose selector the message does not have counts as not multiplexed.
    """

    def __init__(self, message: Message, signals: Sequence[Signal], tail: Tail) -> None:
        self._message, self._tail = message, tail
        self.needs = {s.name: self._need(s) for s in signals}
        names = {s.name for s in signals if s.selects}
        names |= {s.condition.selector for s in signals if s.condition}
        self.known: dict[str, Ranges] = {}
        """Selector → the values that some signal is defined for."""
        values: dict[str, list[tuple[int, int]]] = {}
        for condition in (s.condition for s in message.signals if s.condition):
            values.setdefault(condition.selector, []).extend(condition.ranges)
        for name in sorted(n for n in names if message.has(n)):
            if name in values:
                self.known[name] = joined(values[name])
        chained: set[str] = set()
        for signal in signals:
            while signal.condition and message.has(signal.condition.selector):
                if signal.condition.selector in chained:
                    break
                signal = message.signal(signal.condition.selector)
                chained.add(signal.name)
        selectors = [message.signal(n) for n in sorted(chained | set(self.known))]
        self.selectors = tuple(selectors)
        """Signals whose raw values decide about others."""
        for selector in selectors:
            self.needs.setdefault(selector.name, self._need(selector))

    def _need(self, signal: Signal) -> tuple[int, MuxCondition | None]:
        """Bytes a frame must have, and the condition on a selector."""
        condition = signal.condition
        if condition is not None and not self._message.has(condition.selector):
            condition = None
        return self._tail.bytes_needed(signal), condition


class Presence:
    """The plan applied to frames: ``read`` holds the raw values of the plan's selectors.

    ``lengths`` gives the frames' payload lengths, 0 for remote frames; only asked when they differ.
    """

    def __init__(self, plan: PresencePlan, read: Extracted, lengths: Callable[[], Array]) -> None:
        self._plan, self._read, self._lengths = plan, read, lengths
        self._masks: dict[Any, Mask | None] = {}
        self._absent: dict[Any, Mask] = {}
        names = (s.name for s in plan.selectors)
        self._raw = dict(zip(names, read.raw, strict=True))

    @cached_property
    def _length(self) -> Array:
        return self._lengths()

    def of(self, name: str) -> Mask | None:
        """Where the signal is, or ``None`` when it is in every frame."""
        need = self._plan.needs[name]
        if need not in self._masks:
            self._masks[need] = self._where(*need)
        return self._masks[need]

    def absent(self, name: str) -> Mask:
        """Where the signal is not, for one that is not in every frame."""
        need = self._plan.needs[name]
        mask = self.of(name)
        if need not in self._absent and mask is not None:
            self._absent[need] = ~mask
        return self._absent[need]

    def unknown(self) -> int:
        """Frames in which some selector has a value that no signal is defined for."""
        if not self._plan.known:
            return 0
        odd = np.zeros(len(self._read.time_ns), np.bool_)
        for name, ranges in self._plan.known.items():
            wrong = ~_within(self._raw[name], ranges)
            mask = self.of(name)
            odd |= wrong if mask is None else wrong & mask
        return int(np.count_nonzero(odd))

    def _where(self, bytes_needed: int, condition: MuxCondition | None) -> Mask | None:
        mask = None if bytes_needed <= self._read.shortest else self._length >= bytes_needed
        if condition is not None:
            chosen = _within(self._raw[condition.selector], condition.ranges)
            for more in (mask, self.of(condition.selector)):
                chosen = chosen if more is None else chosen & more
            mask = chosen
        return None if mask is None or mask.all() else mask


def _within(raw: Array, ranges: Ranges) -> Mask:
    """Where ``raw`` lies in one of the inclusive ``ranges``."""
    mask: Mask | None = None
    for low, high in ranges:
        part = raw == low if low == high else (raw >= low) & (raw <= high)
        mask = part if mask is None else mask | part
    return np.zeros(len(raw), np.bool_) if mask is None else mask
