"""A recording whose clock was set back on the way: only a part with one clock is judged.

The rules of this file: pure. By their times the frames before and after lie among each other, so
that every counter skips and every rhythm breaks: that is the clock's doing and not the node's. What
is left out may have been right or wrong, so the node is not proven.
"""

from __future__ import annotations

from dataclasses import replace

from busplan.bench.node_report import BenchLimits
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.table import FrameTable
from busplan.traffic.clock_steps import longest_of_one_clock


def one_clock(
    table: FrameTable, network: str, limits: BenchLimits, where: Where
) -> tuple[FrameTable, BenchLimits, tuple[Finding, ...]]:
    """The longest part with one clock, limits that count from it, and what that leaves out."""
    found = None if limits.begin_ns is not None else longest_of_one_clock(table, (network,))
    if found is None:
        return table, limits, ()
    if found.number > 1:
        limits = replace(limits, power_on_ns=None, power_cycles=())
    finding = Finding(
        "recording-not-whole",
        Weight.CAUTION,
        where,
        found.told,
        why="By their times the frames of all parts lie among each other; what was left out may "
        "have been right or wrong.",
        action="Record again with a clock that nobody sets meanwhile, or cut the parts apart and "
        "judge each.",
        figures=(Figure("times", found.steps), Figure("not judged", found.left_out_s, "s")),
    )
    return found.part, limits, (finding,)
