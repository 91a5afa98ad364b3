"""One message of a node on the bench: does it come, how often, how long, and until when.

The rules of this file: pure. What a short test cannot show is said to be not judged, not wrong.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from busplan.bench.evidence import unproven
from busplan.bench.node_report import BenchLimits, MessageProof, NodeVerdict, verdict_of
from busplan.bench.plan_bounds import limits_for
from busplan.bench.rhythm import Listened, cycle_between, drift_shown, own_rhythm, rhythm_findings
from busplan.bench.signals import prove_signals
from busplan.decode.protection import find_counters
from busplan.decode.text import Tail
from busplan.definitions.model import Message
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import BRS, FD, REMOTE
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.traffic.cycles import measured_cycle
from busplan.traffic.survey import SAMPLE, likely_two_senders, two_senders_finding
from busplan.wording import plain

CAUSED = frozenset(
    {
        *("cycle-time-off", "jitter-large", "gap-too-long", "cycle-drifts", "events-too-close"),
        *("counter-skips", "counter-repeats", "counter-wraps-early", "rate-not-stated"),
    }
)
"""Codes of what two senders of one identifier cause."""


def data_rows(table: FrameTable, key: FrameKey) -> I64:
    """The frames of a message that carry it, in time order: no remote frames."""
    rows = table.rows_of(key)
    carry: I64 = rows[(table.flags[rows] & REMOTE) == 0]
    return carry


def prove_message(
    table: FrameTable, stream: Stream, span: Listened, limits: BenchLimits
) -> MessageProof:
    """Everything that can be said about one message of the node."""
    message, limits = stream.message, limits_for(stream, limits)
    rows, origin = data_rows(table, stream.key), span.begin_ns
    where = Where(stream.network, stream.node, message.name)
    lengths = table.length[rows]
    counts = {int(n): int(c) for n, c in zip(*np.unique(lengths, return_counts=True), strict=True)}
    times = table.time_ns[rows]
    cycle = cycle_between(times, span.pauses) or measured_cycle(times)
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
        table, rows, stream, replace(where, time_ns=origin), limits, span.pauses
    )
    findings = (
        *rhythm_findings(stream, times, where, span, limits),
        *_format_findings(table, rows, message, where, origin),
        *_length_findings(table, rows, message, where, origin),
        *signal_findings,
        *unproven(
            stream,
            signals,
            where,
            frames=len(rows),
            proposed=own_rhythm(stream, cycle),
            longest=max(counts),
            listened_ns=span.end_ns - span.begin_ns,
        ),
    )
    findings = _two_senders(table, rows, message, where, findings)
    return MessageProof(
        message=message,
        expected=stream.cycle,
        frames=len(rows),
        cycle=cycle,
        lengths=counts,
        signals=signals,
        findings=findings,
        verdict=verdict_of(findings),
        drift_shown=drift_shown(stream, times, cycle, span),
    )


def _missing(
    stream: Stream, where: Where, table: FrameTable, span: Listened, limits: BenchLimits
) -> Finding:
    name = f"{stream.message.name} ({stream.message.label})"
    if stream.event or stream.cycle is None:
        when = "it is sent on an event" if stream.event else "nobody states how often it is sent"
        state = "" if stream.event else "State its cycle time in the plan if it has one. "
        return Finding(
            "message-not-seen",
            Weight.CAUTION,
            where,
            f"{name} never came; {when}",
            why="Nothing can be said about it.",
            action=f"{state}Bring the event about during the test, or call the message optional in "
            "the plan.",
        )
    since = span.begin_ns + max(limits.power_on_ns or 0, 0)
    listened = span.end_ns - since
    if len(table) and listened < limits.gap_cycles * stream.cycle.ns:
        return Finding(
            "message-not-due",
            Weight.CAUTION,
            where,
            f"{name} never came, but {plain(listened / 1e9, 3)} s are too short for its cycle "
            f"time of {plain(stream.cycle.s, 3)} s",
            why="Nothing can be said about it.",
            action=f"Test for more than {plain(limits.gap_cycles * stream.cycle.s, 3)} s.",
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


def _two_senders(
    table: FrameTable, rows: I64, message: Message, where: Where, found: tuple[Finding, ...]
) -> tuple[Finding, ...]:
    """``found``, or, where somebody else seems to send the identifier too, that instead of it.

    What two senders cause (rates, counters, distances) is not told besides; its weight stays.
    """
    sample_rows = rows[table.length[rows] == message.length][:SAMPLE]
    sample = table.payload_matrix(sample_rows, message.length)
    counters = find_counters(sample) if len(sample) else ()
    hint = likely_two_senders(table.time_ns[rows], table.length[rows], sample, counters)
    if hint is None:
        return found
    caused = any(f.code in CAUSED and f.weight is Weight.FAULT for f in found)
    finding = two_senders_finding(
        where,
        f"{message.name} ({message.label})",
        hint,
        len(rows),
        "Frames of two nodes cannot be told apart, so the verdict is about both.",
        "Unplug everything else from the bench and test again.",
        weight=Weight.FAULT if caused else Weight.CAUTION,
    )
    return (finding, *(f for f in found if f.code not in CAUSED))


def _format_findings(
    table: FrameTable, rows: I64, message: Message, where: Where, origin: int
) -> Iterator[Finding]:
    """Classical frames where the definition has CAN FD, or the other way; the bit-rate switch."""
    flags = table.flags[rows]
    wrong = np.flatnonzero(((flags & FD) != 0) != message.fd)
    if len(wrong):
        came, is_defined = ("classical", "CAN FD") if message.fd else ("CAN FD", "classical")
        yield Finding(
            "frame-format-differs",
            Weight.FAULT,
            replace(where, time_ns=int(table.time_ns[rows[wrong[0]]]) - origin),
            f"{len(wrong)} of {len(rows)} frames of {message.name} are {came}; the definition says "
            f"{is_defined}",
            why="A classical controller answers every CAN FD frame with an error frame.",
            action="Ask the maker for the definition of this software, or how to set its format.",
            figures=(Figure("frames", len(wrong)), Figure("of", len(rows))),
        )
    if not message.fd:
        return
    fd = np.flatnonzero((flags & FD) != 0)
    wrong = fd[((flags[fd] & BRS) != 0) != message.bit_rate_switch]
    if len(wrong):
        without, says = ("without", "") if message.bit_rate_switch else ("with", "not ")
        yield Finding(
            "bit-rate-switch-differs",
            Weight.CAUTION,
            replace(where, time_ns=int(table.time_ns[rows[wrong[0]]]) - origin),
            f"{len(wrong)} of {len(rows)} frames of {message.name} come {without} the bit-rate "
            f"switch; the definition says that it does {says}switch",
            why="Its data phase then takes another time on the wire than planned.",
            action="Ask the maker which is right, and see that the recording's format keeps the "
            "switch.",
            figures=(Figure("frames", len(wrong)), Figure("of", len(rows))),
        )


def _length_findings(
    table: FrameTable, rows: I64, message: Message, where: Where, origin: int
) -> list[Finding]:
    findings = []
    lengths = table.length[rows].astype(np.int64)
    for code, wrong, words, why in (
        (
            "payload-short",
            lengths < Tail.of(message).least_length,
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
