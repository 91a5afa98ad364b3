"""What nodes send by a clock of their own, and how it looks when clocks run fast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import ceil, gcd

from busplan.definitions.model import Stated
from busplan.plan.vehicle import Stream

COARSEST_NS = 1_000
"""Where periods and offsets have a smaller common step, they are not shrunk together."""


def in_rhythm(stream: Stream) -> bool:
    """Whether a message is sent at a stated offset of its node's clock, by its node itself."""
    known = stream.offset_ns is not None and stream.cycle is not None and stream.cycle.ns > 0
    return known and not stream.event and stream.via is None


def shrunk(times: Sequence[int], parts: int, whole: int) -> list[int] | None:
    """Periods and offsets of one clock times ``parts / whole`` or a little less, in step as they
    were; ``None`` where their common step is too short for that."""
    step = gcd(*times)
    shorter = step * parts // whole
    return None if shorter < COARSEST_NS else [t // step * shorter for t in times]


def faster(streams: Sequence[Stream], drift_ppm: float) -> tuple[Stream, ...]:
    """The streams as clocks send them that run fast by ``drift_ppm`` [ppm]; a node has one."""
    if drift_ppm <= 0:
        return tuple(streams)
    times: dict[str, list[int]] = {}
    for s in streams:
        if in_rhythm(s) and s.cycle is not None and s.offset_ns is not None:
            times.setdefault(s.node, []).extend((s.cycle.ns, s.offset_ns))
    whole = 10**9
    parts = whole - ceil(drift_ppm * 1000)
    by_node = {
        n: dict(zip(t, shrunk(t, parts, whole) or (), strict=False)) for n, t in times.items()
    }

    def one(s: Stream) -> Stream:
        if s.cycle is None or s.event:
            return s
        short = by_node.get(s.node, {})
        if in_rhythm(s) and s.offset_ns in short:
            cycle = Stated(short[s.cycle.ns], s.cycle.origin)
            return replace(s, cycle=cycle, offset_ns=short[s.offset_ns])
        cycle = Stated(int(s.cycle.ns * (1 - drift_ppm * 1e-6)), s.cycle.origin)
        return replace(s, cycle=cycle, offset_ns=None)

    return tuple(map(one, streams))
