"""Values that all stop moving at once while their message goes on: a task that hangs.

The rules of this file: pure. One value may have no reason to move any more; several that moved and
stop within a few frames of each other, for the rest of the test, have one reason. What was measured
goes up and down all the time, so that is a caution; what was set may have come to rest, which is a
note. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busplan.bench.node_report import SignalProof
from busplan.decode.codec import DecodedMessage
from busplan.findings import Figure, Finding, Weight, Where
from busplan.wording import listing

WIDE = 8
"""Narrower values may well stand still."""
MOST_FRAMES = 0.25
"""Before it stops, a value has to change in so many of its frames."""
FEWEST = 2
"""So many values have to stop at once."""
AT_ONCE = 4
"""They stop within so many frames."""
LEAST_STILL = 20
"""So many frames at least, and..."""
LEAST_SHARE = 0.25
"""... so much of the test they have to stand still."""
LEAST_BEFORE = 10
MEASURED = 10
"""A value that has turned so many times is a measured one."""


def frozen_findings(
    decoded: DecodedMessage, proofs: Sequence[SignalProof], where: Where
) -> list[Finding]:
    """What is to be told where every value of a message that moved has stopped."""
    rows = len(decoded)
    values = {p.name for p in proofs if p.role == "value"}
    stops = {}
    measured = 0
    for name, column in decoded.signals.items():
        signal = column.signal
        whole = signal.condition is None and not (signal.is_text or signal.choices)
        if name not in values or not whole or signal.length < WIDE or not column.present.all():
            continue
        moved = np.flatnonzero(np.diff(column.raw)) + 1
        if not len(moved):
            continue
        last = int(moved[-1])
        if last < LEAST_BEFORE or len(moved) < MOST_FRAMES * last:
            continue
        stops[name] = last
        steps = np.sign(np.diff(column.raw[: last + 1].astype(np.int64)))
        measured += int((np.diff(steps[steps != 0]) != 0).sum()) >= MEASURED
    if len(stops) < FEWEST:
        return []
    last = max(stops.values())
    still = rows - last
    if last - min(stops.values()) >= AT_ONCE or still < max(LEAST_STILL, LEAST_SHARE * rows):
        return []
    at_ns = int(decoded.time_ns[last]) - (where.time_ns or 0)
    return [
        Finding(
            "values-freeze",
            Weight.CAUTION if measured >= FEWEST else Weight.NOTE,
            Where(where.network, where.node, where.message, time_ns=at_ns),
            f"{listing(stops)} moved until {at_ns / 1e9:.1f} s and then never again, in {still} "
            f"frames of {rows}",
            why="A task that hangs goes on sending its last values; receivers cannot tell.",
            action="See whether the node went to rest then; if not, ask the maker.",
            figures=(Figure("frames", still), Figure("values", len(stops))),
        )
    ]
