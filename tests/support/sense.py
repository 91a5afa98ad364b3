"""The sense checks over made traces: answers by name, and the codes of what they found."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from truth.as_series import layout_of

from busplan.answers import Answer
from busplan.findings import Finding
from busplan.pack.electrical import SenseCheck, check_electrical
from busplan.pack.series import Heard, PackSeries, Trace

GOOD, BAD, NOT_SHOWN = Answer.GOOD, Answer.BAD, Answer.NOT_SHOWN
SPAN_S = 60.0
TIME = np.arange(0.0, SPAN_S, 0.1)


@dataclass(frozen=True)
class Sensed:
    """What came of all checks."""

    checks: tuple[SenseCheck, ...]
    findings: list[Finding]

    def __getitem__(self, name: str) -> SenseCheck:
        return next(c for c in self.checks if c.name == name)

    @property
    def codes(self) -> list[str]:
        return [f.code for f in self.findings]


def sense(
    traces: Mapping[str, Trace],
    *,
    cells: Sequence[Trace] = (),
    sensors: Sequence[Trace] = (),
    mapped: Sequence[str] | None = None,
    rest: bool = False,
    faulty: Collection[tuple[str, int]] = (),
    **plan: Any,
) -> Sensed:
    """All checks over traces; ``mapped`` are the plan's quantities when they are not the same,
    ``faulty`` the channels (kind, index) that are not believed."""
    names = tuple(traces) if mapped is None else tuple(mapped)
    plan = {"cells": len(cells), "sensors": len(sensors), "quantities": names} | plan
    ends = [float(t.time_s[-1]) for t in (*traces.values(), *cells, *sensors) if len(t)]
    series = PackSeries(tuple(cells), tuple(sensors), traces, max(ends, default=0.0))
    made = check_electrical(series, layout_of([0], **plan), faulty=frozenset(faulty), rest=rest)
    return Sensed(*made)


def flat(value: float, step: float = 0.1) -> Trace:
    """One value at 10 Hz for a minute."""
    return Trace(TIME, np.full(len(TIME), float(value)), step)


def at_once(traces: Mapping[str, Trace]) -> dict[str, Trace]:
    """The same, as if all came in one message."""
    heard = Heard(np.arange(3.0), 1.0)
    return {n: replace(t, message=heard) for n, t in traces.items()}


def thinned(trace: Trace, keep: Any) -> Trace:
    """Some of its readings."""
    return replace(trace, time_s=trace.time_s[keep], value=trace.value[keep])
