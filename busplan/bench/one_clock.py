"""A recording whose clock was set back on the way: only a part with one clock is judged.

The rules of this file: pure. By their times the frames before and after lie among each other, so
that every counter skips and every rhythm breaks: that is the clock's doing and not the node's. What
is left out may have been right or wrong, so the node is not proven.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from busplan.bench.node_report import BenchLimits
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.kinds import ERROR, SENT
from busplan.frames.table import FrameTable
from busplan.traffic.clock_steps import steps_of_clock
from busplan.wording import counted


def one_clock(
    table: FrameTable, network: str, limits: BenchLimits, where: Where
) -> tuple[FrameTable, BenchLimits, tuple[Finding, ...]]:
    """The longest part with one clock, limits that count from it, and what that leaves out."""
    number = table.networks.index(network) if network in table.networks else -1
    rows = np.flatnonzero((table.network == number) & ((table.flags & (SENT | ERROR)) == 0))
    named = table.identifier[rows].astype(np.int64)
    steps = rows[steps_of_clock(table.time_ns[rows], named)] if len(rows) else rows
    if not len(steps) or limits.begin_ns is not None:
        return table, limits, ()
    ends = [0, *steps.tolist(), len(table)]
    parts = [table.take(slice(a, b)) for a, b in pairwise(ends)]
    lengths = [p.span_ns / 1e9 for p in parts]
    best = int(np.argmax(lengths))
    if best:
        limits = replace(limits, power_on_ns=None, power_cycles=())
    left_out = sum(lengths) - lengths[best]
    finding = Finding(
        "recording-not-whole",
        Weight.CAUTION,
        where,
        f"the clock of the recording was set back {counted(len(steps), 'time')}: judged are the "
        f"{lengths[best]:.3g} s of part {best + 1} of {len(parts)}, from whose first frame times "
        f"count here; {left_out:.3g} s were not",
        why="By their times the frames of all parts lie among each other; what was left out may "
        "have been right or wrong.",
        action="Record again with a clock that nobody sets meanwhile, or cut the parts apart and "
        "judge each.",
        figures=(Figure("times", len(steps)), Figure("not judged", left_out, "s")),
    )
    return parts[best], limits, (finding,)
