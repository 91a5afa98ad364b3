"""Limits that the plan states for single messages and signals of a part, instead of one for all.

The rules of this file: pure. What the plan states narrows or widens what the test allows by
default; a value is held to the definition's range besides.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from busplan.bench.node_report import BenchLimits
from busplan.decode.codec import DecodedMessage, DecodedSignal
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.bounds import SignalBounds
from busplan.plan.vehicle import Stream


def limits_for(stream: Stream, limits: BenchLimits) -> BenchLimits:
    """The limits of a test, as they are for this message."""
    bounds = stream.bounds
    if bounds.cycle_tolerance is not None:
        limits = replace(limits, cycle_tolerance=bounds.cycle_tolerance)
    if bounds.gap_ns is not None and stream.cycle is not None:
        limits = replace(limits, gap_cycles=bounds.gap_ns / stream.cycle.ns)
    return limits


def bound_findings(
    decoded: DecodedMessage, bounds: Mapping[str, SignalBounds], where: Where
) -> Iterator[Finding]:
    """Values beyond what the plan allows; ``where.time_ns`` holds the capture's first time."""
    for name, bound in bounds.items():
        column = decoded.signals.get(name)
        if column is None or column.signal.is_text or not column.present.any():
            continue
        yield from _range(decoded, column, bound, where)
        yield from _step(decoded, column, bound, where)
        if bound.still is False:
            yield from _still(column, where)


def _at(decoded: DecodedMessage, column: DecodedSignal, row: int, where: Where) -> Where:
    time_ns = int(decoded.time_ns[row]) - (where.time_ns or 0)
    return Where(where.network, where.node, where.message, column.signal.name, time_ns=time_ns)


def _range(
    decoded: DecodedMessage, column: DecodedSignal, bound: SignalBounds, where: Where
) -> Iterator[Finding]:
    outside = np.zeros(len(column.values), np.bool_)
    if bound.low is not None:
        outside |= column.values < bound.low
    if bound.high is not None:
        outside |= column.values > bound.high
    outside &= column.present
    if not outside.any():
        return
    signal, wrong = column.signal, column.values[outside]
    low = "" if bound.low is None else f"{bound.low:g}"
    high = "" if bound.high is None else f"{bound.high:g}"
    yield Finding(
        "signal-beyond-plan",
        Weight.FAULT,
        _at(decoded, column, int(np.flatnonzero(outside)[0]), where),
        f"{signal.name} leaves the plan's limits {low}…{high} {signal.unit} in "
        f"{int(outside.sum())} of {int(column.present.sum())} frames "
        f"(seen {wrong.min():g}…{wrong.max():g})",
        why="The plan states what this part shows on the bench when it is sound.",
        action="Check sensor and supply; if the part is sound, correct the limits in the plan.",
        figures=(
            Figure("frames", int(outside.sum())),
            Figure("lowest", float(wrong.min()), signal.unit),
            Figure("highest", float(wrong.max()), signal.unit),
        ),
    )


def _step(
    decoded: DecodedMessage, column: DecodedSignal, bound: SignalBounds, where: Where
) -> Iterator[Finding]:
    rows = np.flatnonzero(column.present)
    if bound.step is None or len(rows) < 2:
        return
    steps = np.abs(np.diff(np.asarray(column.values[rows], np.float64)))
    # Values are whole multiples of the scale: what equals the limit is not beyond it.
    far = np.flatnonzero(steps > bound.step + 1e-6 * abs(float(column.signal.scale)))
    if not len(far):
        return
    signal = column.signal
    yield Finding(
        "signal-step-large",
        Weight.FAULT,
        _at(decoded, column, int(rows[far[0] + 1]), where),
        f"{signal.name} steps by up to {steps.max():g} {signal.unit} from frame to frame, "
        f"{len(far)} times beyond the plan's {bound.step:g}",
        why="What cannot move so fast was not measured.",
        action="Check sensor, plug and wire; if the part is sound, correct the limit in the plan.",
        figures=(Figure("largest", float(steps.max()), signal.unit), Figure("times", len(far))),
    )


def _still(column: DecodedSignal, where: Where) -> Iterator[Finding]:
    values = column.values[column.present]
    if len(values) > 1 and values.min() == values.max():
        yield Finding(
            "signal-did-not-move",
            Weight.CAUTION,
            Where(where.network, where.node, where.message, column.signal.name),
            f"{column.signal.name} never changed; the plan says that it moves during the test",
            why="A value that cannot move looks the same as one that had no reason to.",
            action="Make the quantity change during the test.",
        )
