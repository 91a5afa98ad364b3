"""Signals of given steps, in place of those of a capture: for tests of what is calculated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from busplan.behaviour.signals import Memory, Signals, Traced
from busplan.behaviour.steps import START, Steps
from busplan.plan.claims import Operand
from busplan.plan.vehicle import SignalAddress

S = 1_000_000_000


def operand(name: str, message: str = "Message") -> Operand:
    return Operand(SignalAddress("n", "node", message, name))


def steps(points: Sequence[tuple[float, float]], end_s: float | None = None) -> Steps:
    """A signal that takes each value at its time [s]; unknown before, and after ``end_s``."""
    time = [START, *(round(t * S) for t, _ in points)]
    low = [-np.inf, *(v for _, v in points)]
    high = [np.inf, *(v for _, v in points)]
    if end_s is not None:
        time.append(round(end_s * S))
        low.append(-np.inf)
        high.append(np.inf)
    return Steps(np.array(time, np.int64), np.array(low), np.array(high))


class Stepped(Signals):
    """Signals by name, from 0 to ``end_s``, of the one unit V, each seen to ``seen_s``."""

    def __init__(self, signals: Mapping[str, Steps], end_s: float, seen_s: float = 0.0) -> None:
        self.begin_ns, self.end_ns = 0, round(end_s * S)
        self._given = signals
        self._seen_s = seen_s
        self.memory = Memory()

    def traced(self, operand: Operand) -> Traced:
        found = self._given[operand.address.signal]
        first = found.time[np.isfinite(found.low)]
        at = int(first[0]) if len(first) else None
        return Traced(found, "V", at, float("inf"), 0.0)

    def seen_to_ns(self, operand: Operand) -> float:
        return self._seen_s * S

    def recorded(self, network: str) -> bool:
        return True

    def reading(self, operand: Operand):
        from busplan.definitions.model import Signal
        from busplan.pack.reading import plain_reading

        return plain_reading(operand.address, Signal("x", 0, 8, unit="V"), None)
