"""Whether a message keeps to its stated cycle: one rule for bench, measured captures and replay.

The median distance of its frames may lie beside the stated cycle by a share of it, 99 of 100
distances beside their median by another; an event may not come again much sooner than its least
distance. Below :data:`SURE_GAPS` distances nothing is said of a capture. The shares are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum, auto
from typing import NamedTuple

import numpy as np

from busplan.definitions.model import Stated
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.plan.vehicle import Stream
from busplan.traffic.cycles import MeasuredCycle, measured_cycle
from busplan.wording import counted, plain

TOLERANCE = 0.10
"""Allowed deviation of the median from the stated cycle, as a share of it."""
JITTER_CYCLES = 0.5
"""How far 99 of 100 distances may lie beside their median, in stated cycles."""
SURE_GAPS = 3
"""Distances between frames from which on a wrong cycle time is sure."""
JITTER_GAPS = 100
"""Distances between frames from which on a single lost one does not look like jitter."""
MOST_GAPS = 2_000
"""Of a long capture so many distances are looked at, spread evenly."""
MOST_NAMED = 4
"""So many messages of a node are named with their figures; the others are counted."""


class CycleFault(Enum):
    """What is wrong with a message's rhythm."""

    SLOW = auto()
    FAST = auto()
    UNEVEN = auto()
    CLOSE = auto()
    """An event that came again too soon."""


_TOLD = {
    CycleFault.SLOW: (
        "cycle-measured-slow",
        ("more slowly than stated", "comes every", "instead of"),
        "Receivers work with older values than planned, or time out.",
    ),
    CycleFault.FAST: (
        "cycle-measured-fast",
        ("faster than stated", "comes every", "instead of"),
        "It takes more room on the network than planned.",
    ),
    CycleFault.UNEVEN: (
        "cycle-measured-uneven",
        ("unevenly", "strays by", "at a cycle of"),
        "Response times are proven for the jitter in the plan.",
    ),
    CycleFault.CLOSE: (
        "events-measured-close",
        ("again too soon", "came again after", "where the least distance is"),
        "Response times are proven for the stated distance only.",
    ),
}
"""The code, the words and the reason of each."""
_ACTION = (
    "Ask the maker for the definition of this software, or state what was measured in the plan and "
    "check the plan again."
)
_TWICE = (
    "See with busplan survey whether a second node sends it, too. If none does, ask the maker for "
    "the definition of this software, or state what was measured in the plan and check the plan "
    "again."
)
"""What to do about frames that come faster: those of two senders do."""


def off_by(stated: Stated, cycle: MeasuredCycle) -> float:
    """How far the median lies beside the stated cycle, as a share of it; positive is slower."""
    return cycle.median_ns / stated.ns - 1


def jitter_allowed_ns(
    stated: Stated, stream: Stream, jitter_cycles: float = JITTER_CYCLES
) -> float:
    """How far distances may lie beside their median [ns]: a share of the cycle, or as planned."""
    return max(jitter_cycles * stated.ns, stream.jitter_ns)


def jitter_too_large(cycle: MeasuredCycle, allowed_ns: float) -> bool:
    """Whether distances stray too far, and there are enough of them to say so."""
    return cycle.frames > JITTER_GAPS and cycle.jitter_ns > allowed_ns


def too_close(stated: Stated, cycle: MeasuredCycle, tolerance: float = TOLERANCE) -> bool:
    """Whether an event came again sooner than its least distance allows."""
    return cycle.shortest_ns < stated.ns * (1 - tolerance)


def fault_of(stream: Stream, cycle: MeasuredCycle | None) -> CycleFault | None:
    """What is wrong with a message's rhythm in a capture; ``None`` also where nobody states one."""
    stated = stream.cycle
    if cycle is None or stated is None:
        return None
    if stream.event:
        return CycleFault.CLOSE if too_close(stated, cycle) else None
    if cycle.frames - 1 < SURE_GAPS:
        return None
    off = off_by(stated, cycle)
    if abs(off) > TOLERANCE:
        return CycleFault.SLOW if off > 0 else CycleFault.FAST
    uneven = jitter_too_large(cycle, jitter_allowed_ns(stated, stream))
    return CycleFault.UNEVEN if uneven else None


def sampled_cycle(time_ns: I64) -> MeasuredCycle | None:
    """Cycle figures of frames at ``time_ns`` (n,), at most :data:`MOST_GAPS` distances of them."""
    gaps = len(time_ns) - 1
    if gaps <= MOST_GAPS:
        return measured_cycle(time_ns)
    after = 1 + np.arange(MOST_GAPS, dtype=np.int64) * gaps // MOST_GAPS
    steps = time_ns[after] - time_ns[after - 1]
    return measured_cycle(np.concatenate(([0], np.cumsum(steps))))


class _Broken(NamedTuple):
    stream: Stream
    stated: Stated
    cycle: MeasuredCycle

    def figure_ms(self, fault: CycleFault) -> float:
        if fault is CycleFault.UNEVEN:
            return self.cycle.jitter_ns / 1e6
        return (self.cycle.shortest_ns if fault is CycleFault.CLOSE else self.cycle.median_ns) / 1e6


def cycle_findings(measured: Iterable[tuple[Stream, MeasuredCycle | None]]) -> list[Finding]:
    """One finding for each node and kind of fault, with the messages that show it.

    ``measured`` holds the plan's messages with their cycles in the capture; messages of which more
    than one node sends the identifier are to be left out, since their frames cannot be told apart.
    """
    broken: dict[tuple[str, str, CycleFault], list[_Broken]] = {}
    for stream, cycle in measured:
        fault = fault_of(stream, cycle)
        if fault is not None and cycle is not None and stream.cycle is not None:
            key = (stream.network, stream.node, fault)
            broken.setdefault(key, []).append(_Broken(stream, stream.cycle, cycle))
    return [_finding(*key, members) for key, members in broken.items()]


def _finding(network: str, node: str, fault: CycleFault, members: list[_Broken]) -> Finding:
    code, (words, verb, against), why = _TOLD[fault]
    told = [
        f"{m.stream.message.name} {verb} {plain(m.figure_ms(fault))} ms {against} "
        f"{plain(m.stated.ms)} ms"
        for m in members[:MOST_NAMED]
    ]
    if len(members) > MOST_NAMED:
        told.append(f"{len(members) - MOST_NAMED} more")
    worst = max(members, key=lambda m: abs(m.figure_ms(fault) / m.stated.ms - 1))
    come = "comes" if len(members) == 1 else "come"
    return Finding(
        code,
        Weight.CAUTION,
        Where(network, node, worst.stream.message.name),
        f"{counted(len(members), 'message')} of {node} {come} {words}: {', '.join(told)}",
        why=why,
        action=_TWICE if fault is CycleFault.FAST else _ACTION,
        figures=(
            Figure("measured", worst.figure_ms(fault), "ms"),
            Figure("stated", worst.stated.ms, "ms"),
            Figure("messages", len(members)),
        ),
    )
