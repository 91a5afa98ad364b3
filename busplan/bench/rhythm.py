"""How regularly a message comes: against its stated cycle, or against its own rhythm.

The rules of this file: pure. Distances over a restart of the node are its restart's, not the
message's. Where nobody states a cycle, a message that keeps one of its own is held to that for gaps
and for its end; whether the rate is right stays unproven. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from busplan.bench.node_report import BenchLimits
from busplan.definitions.model import Origin, Stated
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.plan.vehicle import Stream
from busplan.traffic.cycle_rule import (
    SURE_GAPS,
    jitter_allowed_ns,
    jitter_too_large,
    off_by,
    too_close,
)
from busplan.traffic.cycles import MeasuredCycle
from busplan.wording import counted, percent, plain

LEAST_FRAMES = 10
"""Frames that a cyclic message needs before its cycle time is proven."""
STEADY = 0.25
"""A rhythm is a message's own when 99 of 100 distances lie within this share of the median."""
STARTING_NS = 3_000_000_000
"""A node that may just have been switched on starts its messages within this time."""
STARTED_NS, STARTED_CYCLES = 10_000_000_000, 10.0
"""Later than both, a message has been missing, whenever the node was switched on."""
DRIFT = 0.05
"""A cycle that moves by this share from the first to the last frames drifts."""
BLOCK = 20
"""Distances of which the first and the last ones are averaged to see a drift."""
DRIFT_GAPS = 3 * BLOCK
"""Distances that it takes to see one."""
DRIFT_SIGMA = 6.0
"""So many times its own uncertainty a drift must be."""
_USUAL_MS = tuple(
    step * 10.0**power
    for power in range(5)
    for step in (1, 1.2, 1.25, 1.5, 1.6, 2, 2.5, 3, 4, 5, 6, 7.5, 8)
)


class Pause(NamedTuple):
    """A restart of the node: its last frame before [ns] and the first one after it."""

    from_ns: int
    to_ns: int


class Listened(NamedTuple):
    """From when to when was listened, when the node's last frame came [ns], its restarts.

    ``first_ns`` is its first frame, ``running`` whether it was evidently on before.
    """

    begin_ns: int
    end_ns: int
    last_ns: int
    pauses: tuple[Pause, ...] = ()
    first_ns: int | None = None
    running: bool = False


def within_pauses(times: I64, pauses: Sequence[Pause]) -> np.ndarray:
    """Which distances of frames at ``times`` (n,) reach into a pause or over it; (n - 1,)."""
    crossing = np.zeros(max(len(times) - 1, 0), np.bool_)
    for pause in pauses:
        crossing |= (times[:-1] < pause.to_ns) & (times[1:] > pause.from_ns)
    return crossing


def cycle_between(times: I64, pauses: Sequence[Pause]) -> MeasuredCycle | None:
    """Cycle figures without the distances over a restart; ``None`` without any distance."""
    kept = np.flatnonzero(~within_pauses(times, pauses))
    if not len(kept):
        return None
    gaps = (times[1:] - times[:-1])[kept]
    median = float(np.median(gaps))
    longest = int(gaps.argmax())
    return MeasuredCycle(
        len(kept) + 1,
        round(median),
        round(float(np.percentile(np.abs(gaps - median), 99))),
        int(gaps.min()),
        int(gaps[longest]),
        int(times[kept[longest]]),
    )


def own_rhythm(stream: Stream, cycle: MeasuredCycle | None) -> Stated | None:
    """The rhythm a message without a stated cycle keeps, ``None`` when it keeps none."""
    if stream.cycle is not None or stream.event or cycle is None or cycle.frames < LEAST_FRAMES:
        return None
    if cycle.jitter_ns > STEADY * cycle.median_ns:
        return None
    return Stated(cycle.median_ns, Origin.MEASURED) if cycle.median_ns > 0 else None


def usual_ms(ns: int) -> float:
    """The usual cycle time that a measured one is meant to be [ms], within 3 %; else 3 digits."""
    ms = ns / 1e6
    near = min(_USUAL_MS, key=lambda u: abs(u / ms - 1))
    return near if abs(near / ms - 1) <= 0.03 else float(f"{ms:.3g}")


def rhythm_findings(
    stream: Stream, times: I64, where: Where, span: Listened, limits: BenchLimits
) -> list[Finding]:
    """What is wrong with when the frames of a message came, at ``times`` (n,) in time order."""
    cycle = cycle_between(times, span.pauses)
    rhythm = stream.cycle or own_rhythm(stream, cycle)
    if rhythm is None:
        return []
    name = stream.message.name
    if stream.event:
        close = cycle is not None and too_close(rhythm, cycle, limits.cycle_tolerance)
        return [_too_close(rhythm, cycle, name, where)] if close and cycle else []
    findings: list[Finding] = []
    if cycle is not None:
        if stream.cycle is not None:
            findings += _off(rhythm, cycle, _mean_ns(times, span), name, where, limits)
            findings += _jitter(stream, rhythm, cycle, where, limits)
        findings += _drift(stream, rhythm, times, where, span, limits)
        findings += _gap(rhythm, cycle, name, where, span.begin_ns, limits)
    findings += _begins_late(stream, rhythm, times, where, span, limits)
    findings += _stopped(stream, rhythm, cycle, times, where, span, limits)
    return findings


def _mean_ns(times: I64, span: Listened) -> float:
    """The mean distance of frames, without those over a restart."""
    return float(np.diff(times)[~within_pauses(times, span.pauses)].mean())


def _off(
    stated: Stated,
    cycle: MeasuredCycle,
    mean_ns: float,
    name: str,
    where: Where,
    limits: BenchLimits,
) -> Iterator[Finding]:
    """A wrong rate; distances that only alternate have the right one in the mean."""
    off = off_by(stated, cycle)
    gaps = cycle.frames - 1
    uneven = abs(mean_ns / stated.ns - 1) <= limits.cycle_tolerance
    if abs(off) > limits.cycle_tolerance:
        mean = f", though every {plain(mean_ns / 1e6)} ms in the mean: unevenly" if uneven else ""
        yield Finding(
            "cycle-time-off",
            Weight.FAULT if gaps >= SURE_GAPS and not uneven else Weight.CAUTION,
            where,
            f"{name} comes every {plain(cycle.median_ns / 1e6)} ms instead of "
            f"{plain(stated.ms)} ms ({stated.origin}): {percent(off, 0, sign=True)}, allowed "
            f"±{percent(limits.cycle_tolerance, 0)}{mean}"
            + ("" if gaps >= SURE_GAPS else f"; only {counted(gaps + 1, 'frame')} came"),
            why="Slower starves receivers, faster takes room on the network from others.",
            action="Ask the maker for the definition of this software, or state the real "
            "cycle time in the plan and check the plan again.",
            figures=(
                Figure("measured", cycle.median_ns / 1e6, "ms"),
                Figure("stated", stated.ms, "ms"),
                Figure("tolerance", 100 * limits.cycle_tolerance, "%"),
            ),
        )


def _jitter(
    stream: Stream, stated: Stated, cycle: MeasuredCycle, where: Where, limits: BenchLimits
) -> Iterator[Finding]:
    """Distances that vary too much; with few of them, one lost frame would look like that."""
    allowed = jitter_allowed_ns(stated, stream, limits.jitter_cycles)
    if jitter_too_large(cycle, allowed):
        yield Finding(
            "jitter-large",
            Weight.CAUTION,
            where,
            f"{stream.message.name}: 1 of 100 distances lies more than "
            f"{plain(cycle.jitter_ns / 1e6, 3)} ms beside the median; allowed "
            f"{plain(allowed / 1e6, 3)} ms",
            why="Response times are proven for the jitter in the plan.",
            action="State the measured jitter in the plan (jitter_ms) and look at the timing.",
            figures=(
                Figure("jitter", cycle.jitter_ns / 1e6, "ms"),
                Figure("allowed", allowed / 1e6, "ms"),
            ),
        )


class _Ends(NamedTuple):
    """Mean distances at the beginning and at the end, and by how much they must differ [ns]."""

    first: float
    last: float
    least: float


def _ends(rhythm: Stated, times: I64, span: Listened) -> _Ends | None:
    """``None`` when there are too few distances to see a drift."""
    gaps = np.diff(times)[~within_pauses(times, span.pauses)].astype(np.float64)
    gaps = gaps[gaps < 1.5 * np.median(gaps)] if len(gaps) else gaps  # a lost frame is no drift
    if len(gaps) < DRIFT_GAPS:
        return None
    ends = [gaps[:BLOCK], gaps[-BLOCK:]]
    first, last = (float(e.mean()) for e in ends)
    sigma = float(np.hypot(*(e.std() for e in ends))) / BLOCK**0.5
    return _Ends(first, last, max(DRIFT * rhythm.ns, DRIFT_SIGMA * sigma))


def drift_shown(
    stream: Stream, times: I64, cycle: MeasuredCycle | None, span: Listened
) -> float | None:
    """By what share of its cycle a message's distances had to drift to be seen; ``None``: by none.

    0.05 means that they had to be 5 % longer or shorter at the end than at the beginning.
    """
    rhythm = stream.cycle or own_rhythm(stream, cycle)
    ends = None if rhythm is None or stream.event else _ends(rhythm, times, span)
    return None if ends is None or rhythm is None else ends.least / rhythm.ns


def _drift(
    stream: Stream, rhythm: Stated, times: I64, where: Where, span: Listened, limits: BenchLimits
) -> Iterator[Finding]:
    """A cycle that is another one at the end of the test than at its beginning."""
    ends = _ends(rhythm, times, span)
    if ends is None or abs(ends.last - ends.first) <= ends.least:
        return
    first, last = ends.first, ends.last
    beyond = stream.cycle is not None and abs(last / rhythm.ns - 1) > limits.cycle_tolerance
    yield Finding(
        "cycle-drifts",
        Weight.FAULT if beyond else Weight.CAUTION,
        where,
        f"{stream.message.name} came every {plain(first / 1e6)} ms at first and every "
        f"{plain(last / 1e6)} ms at the end ({percent(last / first - 1, 0, sign=True)})"
        + (
            f", beyond ±{percent(limits.cycle_tolerance, 0)} of {plain(rhythm.ms)} ms"
            if beyond
            else ""
        ),
        why="What moves during a short test moves on during a drive.",
        action="Test for longer, warm and cold; ask the maker what sets this period.",
        figures=(Figure("first", first / 1e6, "ms"), Figure("last", last / 1e6, "ms")),
    )


def _gap(
    rhythm: Stated,
    cycle: MeasuredCycle,
    name: str,
    where: Where,
    begin_ns: int,
    limits: BenchLimits,
) -> Iterator[Finding]:
    usual = max(rhythm.ns, cycle.median_ns)
    allowed = limits.gap_cycles * usual
    if cycle.longest_ns > allowed:
        own = " of its own rhythm" if rhythm.origin is Origin.MEASURED else ""
        yield Finding(
            "gap-too-long",
            Weight.CAUTION,
            replace(where, time_ns=cycle.longest_at_ns - begin_ns),
            f"{name} was silent for {plain(cycle.longest_ns / 1e6)} ms, "
            f"{cycle.longest_ns / usual:.1f} cycles{own}",
            why="Receivers with a time-out may have given the node up.",
            action="See what happened at that time; a drop of the recorder shows in its journal.",
            figures=(
                Figure("gap", cycle.longest_ns / 1e6, "ms"),
                Figure("allowed", allowed / 1e6, "ms"),
            ),
        )


def _begins_late(
    stream: Stream, rhythm: Stated, times: I64, where: Where, span: Listened, limits: BenchLimits
) -> Iterator[Finding]:
    """A message that was not there while the node already sent others."""
    if span.first_ns is None:
        return
    late = int(times[0]) - span.first_ns
    allowed = limits.gap_cycles * rhythm.ns
    if late <= (allowed if span.running else max(allowed, STARTING_NS)):
        return
    missed = late > max(STARTED_NS, STARTED_CYCLES * rhythm.ns)
    yield Finding(
        "message-begins-late",
        Weight.CAUTION if span.running or missed else Weight.NOTE,
        replace(where, time_ns=int(times[0]) - span.begin_ns),
        f"{stream.message.name} came first {plain(late / 1e9, 3)} s after the node's first frame, "
        f"{late / rhythm.ns:.1f} cycles",
        why="Receivers wait for it, time out or run on an old value.",
        action="See what it waited for; switch the node off and on and test again.",
        figures=(Figure("late", late / 1e9, "s"),),
    )


def _stopped(
    stream: Stream,
    rhythm: Stated,
    cycle: MeasuredCycle | None,
    times: I64,
    where: Where,
    span: Listened,
    limits: BenchLimits,
) -> Iterator[Finding]:
    """A message that ends while the node goes on."""
    last = int(times[-1])
    period = max(rhythm.ns, cycle.median_ns if cycle else 0)
    silence = span.last_ns - last
    if silence > limits.gap_cycles * period:
        yield Finding(
            "message-stopped",
            Weight.FAULT,
            replace(where, time_ns=last - span.begin_ns),
            f"{stream.message.name} stopped {plain(silence / 1e9, 3)} s before the node's last "
            f"frame, {silence / period:.1f} cycles",
            why="Receivers time out or run on its last value.",
            action="See what happened at that time, and whether it depends on a mode.",
            figures=(
                Figure("silence", silence / 1e6, "ms"),
                Figure("allowed", limits.gap_cycles * period / 1e6, "ms"),
            ),
        )


def _too_close(stated: Stated, cycle: MeasuredCycle, name: str, where: Where) -> Finding:
    return Finding(
        "events-too-close",
        Weight.FAULT,
        where,
        f"{name} came again after {plain(cycle.shortest_ns / 1e6)} ms; the least distance is "
        f"{plain(stated.ms)} ms ({stated.origin})",
        why="Response times are proven for the stated distance only.",
        action="State the real least distance in the plan, or have the node slowed down.",
        figures=(
            Figure("measured", cycle.shortest_ns / 1e6, "ms"),
            Figure("stated", stated.ms, "ms"),
        ),
    )
