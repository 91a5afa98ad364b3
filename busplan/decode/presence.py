"""Which frames carry which signal: long enough for it, and its selectors as they must be."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from busplan.capture.frames import FrameTable
from busplan.decode.extract import Extractor
from busplan.decode.layout import place_of
from busplan.definitions.model import Message, MuxCondition, Signal
from busplan.definitions.multiplexing import Ranges, joined

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]
I64 = npt.NDArray[np.int64]


class PresencePlan:
    """The conditions of chosen signals of a message, compiled; signals with the same share them.

    A signal whose selector the message does not have counts as not multiplexed.
    """

    def __init__(self, message: Message, signals: Sequence[Signal]) -> None:
        self._message = message
        self.needs = {s.name: self._need(s) for s in signals}
        names = {s.name for s in signals if s.selects}
        names |= {s.condition.selector for s in signals if s.condition}
        self.known: dict[str, Ranges] = {}
        """Selector → the values that some signal is defined for."""
        for name in sorted(n for n in names if message.has(n)):
            conditions = (s.condition for s in message.signals if s.condition)
            pairs = [p for c in conditions if c.selector == name for p in c.ranges]
            if pairs:
                self.known[name] = joined(pairs)
        chained: set[str] = set()
        for signal in signals:
            while signal.condition and message.has(signal.condition.selector):
                if signal.condition.selector in chained:
                    break
                signal = message.signal(signal.condition.selector)
                chained.add(signal.name)
        selectors = [message.signal(n) for n in sorted(chained | set(self.known))]
        self.selectors = tuple(s.name for s in selectors)
        self.read_selectors = Extractor(selectors, raw=True)
        for selector in selectors:
            self.needs.setdefault(selector.name, self._need(selector))

    def _need(self, signal: Signal) -> tuple[int, MuxCondition | None]:
        """Bytes a frame must have, and the condition on a selector."""
        condition = signal.condition
        if condition is not None and not self._message.has(condition.selector):
            condition = None
        return place_of(signal).last + 1, condition


class Presence:
    """The plan applied to frames: ``length`` are their payload lengths, 0 for remote frames."""

    def __init__(self, plan: PresencePlan, table: FrameTable, rows: I64, length: Array) -> None:
        self._plan = plan
        self._length = length
        self._shortest = int(length.min()) if len(length) else 0
        self._masks: dict[Any, Mask | None] = {}
        self._absent: dict[Any, Mask] = {}
        raw = plan.read_selectors(table, rows) if plan.selectors else []
        self._raw = dict(zip(plan.selectors, raw, strict=True))

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
        odd = np.zeros(len(self._length), np.bool_)
        for name, ranges in self._plan.known.items():
            wrong = ~_within(self._raw[name], ranges)
            mask = self.of(name)
            odd |= wrong if mask is None else wrong & mask
        return int(np.count_nonzero(odd))

    def _where(self, bytes_needed: int, condition: MuxCondition | None) -> Mask | None:
        mask = None if bytes_needed <= self._shortest else self._length >= bytes_needed
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
