"""One message of a node on the bench: does it come, how often, how long, and until when.

The rules of this file: pure. What a short test cannot show is said to be not judged, not wrong.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from busplan.bench.evidence import unproven
from busplan.bench.node_report import BenchLimits, MessageProof, NodeVerdict, verdict_of
from busplan.bench.signals import prove_signals
from busplan.decode.protection import find_counters
from busplan.definitions.model import Message, Stated
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import REMOTE
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.traffic.cycle_rule import (
    SURE_GAPS,
    jitter_allowed_ns,
    jitter_too_large,
    off_by,
    too_close,
)
from busplan.traffic.cycles import MeasuredCycle, measured_cycle
from busplan.traffic.survey import SAMPLE, likely_two_senders, two_senders_finding
from busplan.wording import counted


class Listened(NamedTuple):
    """From when to when was listened, and when the node's last frame came [ns]."""

    begin_ns: int
    end_ns: int
    last_ns: int


def data_rows(table: FrameTable, key: FrameKey) -> I64:
    """The frames of a message that carry it, in time order: no remote frames."""
    rows = table.rows_of(key)
    carry: I64 = rows[(table.flags[rows] & REMOTE) == 0]
    return carry


def prove_message(
    table: FrameTable, stream: Stream, span: Listened, limits: BenchLimits
) -> MessageProof:
    """Everything that can be said about one message of the node."""
    message = stream.message
    rows, origin = data_rows(table, stream.key), span.begin_ns
    where = Where(stream.network, stream.node, message.name)
    lengths = table.length[rows]
    counts = {int(n): int(c) for n, c in zip(*np.unique(lengths, return_counts=True), strict=True)}
    cycle = measured_cycle(table.time_ns[rows])
    if not len(rows):
        findings: tuple[Finding, ...] = ()
        if not stream.optional:
            findings = (_missing(stream, where, table, span, limits),)
        verdict = verdict_of(findings) if findings else NodeVerdict.NOT_JUDGED
        return MessageProof(
            message=message,
            expected=stream.cycle,
            frames=0,
            cycle=None,
            lengths={},
            signals=(),
            findings=findings,
            verdict=verdict,
        )
    signals, signal_findings = prove_signals(
        table, rows, message, replace(where, time_ns=origin), limits
    )
    findings = (
        *_cycle_findings(stream, cycle, where, origin, limits),
        *_stopped(table, stream, rows, where, span, limits),
        *_two_senders(table, rows, message, where),
        *_length_findings(table, rows, message, where, origin),
        *signal_findings,
        *unproven(
            stream,
            signals,
            where,
            frames=len(rows),
            longest=max(counts),
            listened_ns=span.end_ns - span.begin_ns,
        ),
    )
    return MessageProof(
        message=message,
        expected=stream.cycle,
        frames=len(rows),
        cycle=cycle,
        lengths=counts,
        signals=signals,
        findings=findings,
        verdict=verdict_of(findings),
    )


def _missing(
    stream: Stream, where: Where, table: FrameTable, span: Listened, limits: BenchLimits
) -> Finding:
    name = f"{stream.message.name} ({stream.message.label})"
    if stream.event:
        return Finding(
            "message-not-seen",
            Weight.CAUTION,
            where,
            f"{name} never came; it is sent on an event",
            why="Nothing can be said about it.",
            action="Bring the event about during the test, or call the message optional in the "
            "plan.",
        )
    since = span.begin_ns + max(limits.power_on_ns or 0, 0)
    listened = span.end_ns - since
    if len(table) and stream.cycle is not None and listened < limits.gap_cycles * stream.cycle.ns:
        return Finding(
            "message-not-due",
            Weight.CAUTION,
            where,
            f"{name} never came, but {listened / 1e9:.3g} s are too short for its cycle time of "
            f"{stream.cycle.s:.3g} s",
            why="Nothing can be said about it.",
            action=f"Test for more than {limits.gap_cycles * stream.cycle.s:.3g} s.",
            figures=(
                Figure("listened", listened / 1e9, "s"),
                Figure("stated", stream.cycle.ms, "ms"),
            ),
        )
    return Finding(
        "message-missing",
        Weight.FAULT,
        where,
        f"{name} never came",
        why="Receivers wait for it, time out or run on an old value.",
        action="See whether the node is in the right mode, has the software its definition "
        "belongs to, and sits at the identifier the plan gives it.",
    )


def _cycle_findings(
    stream: Stream,
    cycle: MeasuredCycle | None,
    where: Where,
    origin: int,
    limits: BenchLimits,
) -> list[Finding]:
    if cycle is None or stream.cycle is None:
        return []
    stated, name = stream.cycle, stream.message.name
    findings = []
    if stream.event:
        if too_close(stated, cycle, limits.cycle_tolerance):
            findings.append(_too_close(stated, cycle, name, where))
        return findings
    off = off_by(stated, cycle)
    gaps = cycle.frames - 1
    if abs(off) > limits.cycle_tolerance:
        findings.append(
            Finding(
                "cycle-time-off",
                Weight.FAULT if gaps >= SURE_GAPS else Weight.CAUTION,
                where,
                f"{name} comes every {cycle.median_ns / 1e6:.4g} ms instead of "
                f"{stated.ms:.4g} ms ({stated.origin}): {off:+.0%}, allowed "
                f"±{limits.cycle_tolerance:.0%}"
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
        )
    findings += _jitter_findings(stream, stated, cycle, where, limits)
    allowed = limits.gap_cycles * max(stated.ns, cycle.median_ns)
    if cycle.longest_ns > allowed:
        findings.append(
            Finding(
                "gap-too-long",
                Weight.CAUTION,
                replace(where, time_ns=cycle.longest_at_ns - origin),
                f"{name} was silent for {cycle.longest_ns / 1e6:.4g} ms, "
                f"{cycle.longest_ns / max(stated.ns, cycle.median_ns):.1f} cycles",
                why="Receivers with a time-out may have given the node up.",
                action="See what happened at that time; a drop of the recorder shows in its "
                "journal.",
                figures=(
                    Figure("gap", cycle.longest_ns / 1e6, "ms"),
                    Figure("allowed", allowed / 1e6, "ms"),
                ),
            )
        )
    return findings


def _jitter_findings(
    stream: Stream, stated: Stated, cycle: MeasuredCycle, where: Where, limits: BenchLimits
) -> list[Finding]:
    """Distances that vary too much; with few of them, one lost frame would look like that."""
    allowed = jitter_allowed_ns(stated, stream, limits.jitter_cycles)
    if not jitter_too_large(cycle, allowed):
        return []
    return [
        Finding(
            "jitter-large",
            Weight.CAUTION,
            where,
            f"{stream.message.name}: 1 of 100 distances lies more than "
            f"{cycle.jitter_ns / 1e6:.3g} ms beside the median; allowed {allowed / 1e6:.3g} ms",
            why="Response times are proven for the jitter in the plan.",
            action="State the measured jitter in the plan (jitter_ms) and look at the timing.",
            figures=(
                Figure("jitter", cycle.jitter_ns / 1e6, "ms"),
                Figure("allowed", allowed / 1e6, "ms"),
            ),
        )
    ]


def _stopped(
    table: FrameTable, stream: Stream, rows: I64, where: Where, span: Listened, limits: BenchLimits
) -> list[Finding]:
    """A message that ends while the node goes on."""
    if stream.event or stream.cycle is None:
        return []
    last = int(table.time_ns[rows].max())
    cycle = measured_cycle(table.time_ns[rows])
    period = max(stream.cycle.ns, cycle.median_ns if cycle else 0)
    silence = span.last_ns - last
    if silence <= limits.gap_cycles * period:
        return []
    return [
        Finding(
            "message-stopped",
            Weight.FAULT,
            replace(where, time_ns=last - span.begin_ns),
            f"{stream.message.name} stopped {silence / 1e9:.3g} s before the node's last frame, "
            f"{silence / period:.1f} cycles",
            why="Receivers time out or run on its last value.",
            action="See what happened at that time, and whether it depends on a mode.",
            figures=(
                Figure("silence", silence / 1e6, "ms"),
                Figure("allowed", limits.gap_cycles * period / 1e6, "ms"),
            ),
        )
    ]


def _two_senders(table: FrameTable, rows: I64, message: Message, where: Where) -> Iterator[Finding]:
    """Frames that look as if somebody else on the bench sent the same identifier."""
    sample_rows = rows[table.length[rows] == message.length][:SAMPLE]
    sample = table.payload_matrix(sample_rows, message.length)
    counters = find_counters(sample) if len(sample) else ()
    hint = likely_two_senders(table.time_ns[rows], table.length[rows], sample, counters)
    if hint is not None:
        yield two_senders_finding(
            where,
            f"{message.name} ({message.label})",
            hint,
            len(rows),
            "Frames of two nodes cannot be told apart, so the verdict is about both.",
            "Unplug everything else from the bench and test again.",
        )


def _too_close(stated: Stated, cycle: MeasuredCycle, name: str, where: Where) -> Finding:
    return Finding(
        "events-too-close",
        Weight.FAULT,
        where,
        f"{name} came again after {cycle.shortest_ns / 1e6:.4g} ms; the least distance is "
        f"{stated.ms:.4g} ms ({stated.origin})",
        why="Response times are proven for the stated distance only.",
        action="State the real least distance in the plan, or have the node slowed down.",
        figures=(
            Figure("measured", cycle.shortest_ns / 1e6, "ms"),
            Figure("stated", stated.ms, "ms"),
        ),
    )


def _length_findings(
    table: FrameTable, rows: I64, message: Message, where: Where, origin: int
) -> list[Finding]:
    findings = []
    lengths = table.length[rows].astype(np.int64)
    for code, wrong, words, why in (
        (
            "payload-short",
            lengths < message.length,
            "fewer",
            "Receivers read bytes that were not sent, or drop the frame.",
        ),
        (
            "payload-long",
            lengths > message.length,
            "more",
            "The definition does not describe all that the node sends.",
        ),
    ):
        places = np.flatnonzero(wrong)
        if len(places):
            seen = ", ".join(map(str, np.unique(lengths[places])))
            findings.append(
                Finding(
                    code,
                    Weight.FAULT,
                    replace(where, time_ns=int(table.time_ns[rows[places[0]]]) - origin),
                    f"{len(places)} of {len(rows)} frames of {message.name} carry {words} bytes "
                    f"({seen}) than the {message.length} defined",
                    why=why,
                    action="Ask the maker for the definition of this software.",
                    figures=(
                        Figure("frames", len(places)),
                        Figure("defined", message.length, "byte"),
                    ),
                )
            )
    return findings
