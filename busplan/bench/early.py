"""What is certain before a test has ended: the messages so far, and what is wrong with them.

The rules of this file: pure. What a frame shows stays shown, so a wrong length or checksum is told
at once. A wrong rate is a matter of chance, so it is told by a rule whose error rate is stated:
under a median within the tolerance each distance lies beyond it with a probability of one half at
most (the sign test; independent distances), and over all looks and messages together a right node
is accused in :data:`ERROR_RATE` of all tests at most (the share of look ``k`` is 6/(pi k)^2;
Bonferroni). Whether a message is missing is a matter of waiting (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import comb, pi

import numpy as np

from busplan.bench.node_report import BenchReport, NodeVerdict
from busplan.bench.plan_bounds import limits_for
from busplan.bench.prove import prove_node
from busplan.bench.run import BenchTest
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import percent, plain

ERROR_RATE = 0.001
"""Part of tests of right nodes in which a rate may be called wrong too early."""
MISSING_CYCLES = 5.0
"""So many cycles after the node's first frame a message that has not come is missing..."""
MISSING_S = 2.5
"""... and so long at least: nodes start their messages one after the other."""
NOTHING_S = 3.0
"""After this time without a frame something is wrong with the bench."""
AT_ONCE = frozenset(
    {
        *("payload-short", "payload-long", "frame-format-differs", "bit-rate-switch-differs"),
        *(
            "signal-out-of-range",
            "signal-beyond-plan",
            "checksum-wrong",
            "counter-skips",
            "counter-repeats",
        ),
        *("identifier-width-differs", "address-contested", "address-not-claimed", "fault-told"),
        *("node-restarts", "node-unacknowledged", "cell-saturated", "cell-impossible"),
        *("cell-voltage-low", "cell-voltage-high", "events-too-close", "signal-no-number"),
        "claim-not-again",
    }
)
"""Codes that more frames cannot take back."""
AFTER_A_WHILE = frozenset(
    {"identifiers-moved", "identifiers-swapped", "definition-differs", "message-undefined"}
)
"""Codes that need what comes in the first :data:`MISSING_S` of a node."""
UNSURE = ("definition-differs", Weight.CAUTION)
"""Steadiness alone says so, which more frames can take back."""


@dataclass(frozen=True, slots=True)
class EarlyRow:
    """One message so far: frames, median distance [ms], and in words how it stands."""

    name: str
    label: str
    frames: int
    median_ms: float | None
    state: str
    wrong: bool


@dataclass(frozen=True, slots=True)
class EarlyLook:
    """A test under way: how long it has run and will run [s], its messages, what is certain."""

    elapsed_s: float
    left_s: float
    rows: tuple[EarlyRow, ...]
    certain: tuple[Finding, ...]
    nothing: bool
    """Nothing has come for so long that the bench itself is to be looked at."""


def look(
    test: BenchTest,
    table: FrameTable,
    *,
    elapsed_s: float,
    seconds: float,
    number: int,
    power_on_s: float = 0.0,
) -> EarlyLook:
    """The test after ``elapsed_s`` of ``seconds`` [s]; it is the look of that ``number``, from 1.

    ``table`` holds what has come so far. Waiting for a node counts from ``power_on_s``, when it was
    to be switched on.
    """
    left_s = max(seconds - elapsed_s, 0.0)
    waited_s = elapsed_s - power_on_s
    streams = [s for s in test.vehicle.on(test.network) if s.node == test.node and s.own]
    if not len(table):
        messages = (s.message for s in streams)
        rows = tuple(EarlyRow(m.name, m.label, 0, None, "waiting", wrong=False) for m in messages)
        return EarlyLook(elapsed_s, left_s, rows, (), waited_s >= NOTHING_S)
    limits = replace(
        test.limits,
        power_on_ns=None,
        start_within_ns=None,
        power_cycles=(),
        faults=(),
        end_ns=table.span_ns,
    )
    report = prove_node(table, test.vehicle, test.node, test.network, limits)
    times = [table.time_ns[table.rows_of(s.key)] for s in streams]
    first = min((int(t[0]) for t in times if len(t)), default=None)
    up_s = 0.0 if first is None else (table.origin_ns + table.span_ns - first) / 1e9
    at_once = AT_ONCE - {"node-restarts"} if test.limits.power_cycles else AT_ONCE
    certain = [f for f in report.findings if f.code in at_once and f.weight > Weight.NOTE]
    if up_s >= MISSING_S or (first is None and waited_s >= MISSING_S):
        certain += [
            f for f in report.findings if f.code in AFTER_A_WHILE and (f.code, f.weight) != UNSURE
        ]
        certain += _missing(report, streams, up_s)
    share = ERROR_RATE * 6 / (pi * number) ** 2 / max(2 * len(streams), 1)
    for stream, at in zip(streams, times, strict=True):
        certain += _rate(stream, at, limits_for(stream, test.limits).cycle_tolerance, share)
    return EarlyLook(
        elapsed_s,
        left_s,
        tuple(_row(report, s, certain) for s in streams),
        tuple(certain),
        first is None and not report.frames and waited_s >= NOTHING_S,
    )


def _missing(report: BenchReport, streams: Sequence[Stream], up_s: float) -> list[Finding]:
    """Cyclic messages that have not come though several of their cycles have passed."""
    due = {
        s.message.name
        for s in streams
        if s.cycle is not None and not s.event and up_s >= MISSING_CYCLES * s.cycle.s
    }
    return [f for f in report.findings if f.code == "message-missing" and f.where.message in due]


def _rate(stream: Stream, times: I64, tolerance: float, share: float) -> list[Finding]:
    """That a median lies beyond its tolerance, when chance does so less often than ``share``."""
    if stream.cycle is None or stream.event or len(times) < 3:
        return []
    gaps = np.diff(times)
    slow = int((gaps > stream.cycle.ns * (1 + tolerance)).sum())
    fast = int((gaps < stream.cycle.ns * (1 - tolerance)).sum())
    for beyond, way in ((slow, "slowly"), (fast, "quickly")):
        if tail(beyond, len(gaps)) < share:
            return [
                Finding(
                    "cycle-time-off",
                    Weight.FAULT,
                    Where(stream.network, stream.node, stream.message.name),
                    f"{stream.message.name} comes too {way}: {beyond} of {len(gaps)} distances are "
                    f"beyond ±{percent(tolerance, 0)} of {plain(stream.cycle.ms)} ms, in the "
                    f"middle {plain(float(np.median(gaps)) / 1e6)} ms",
                    why="Slower starves receivers, faster takes room on the network from others.",
                    action="Ask the maker for the definition of this software.",
                    figures=(
                        Figure("measured", float(np.median(gaps)) / 1e6, "ms"),
                        Figure("stated", stream.cycle.ms, "ms"),
                    ),
                )
            ]
    return []


def tail(successes: int, tries: int) -> float:
    """The chance of at least so many heads in ``tries`` throws of a fair coin."""
    if 2 * successes <= tries:
        return 1.0
    if tries > 1000:  # beyond this the normal distribution is as good, and quick
        from math import erfc

        return 0.5 * erfc((successes - 0.5 - tries / 2) / (tries / 2) ** 0.5)
    return float(sum(comb(tries, k) for k in range(successes, tries + 1)) / 2**tries)


def _row(report: BenchReport, stream: Stream, certain: Sequence[Finding]) -> EarlyRow:
    proof = next(m for m in report.messages if m.message is stream.message)
    name = stream.message.name
    wrong = [f.code for f in certain if f.where.message == name and f.weight > Weight.NOTE]
    if wrong:
        state = f"wrong: {wrong[0]}"
    elif not proof.frames:
        state = "waiting"
    elif proof.verdict is NodeVerdict.PASS:
        state = "right so far"
    elif proof.verdict is NodeVerdict.NOT_PROVEN:
        state = "right, few so far"
    else:
        state = "to be seen"
    median = None if proof.cycle is None else proof.cycle.median_ns / 1e6
    return EarlyRow(name, stream.message.label, proof.frames, median, state, bool(wrong))
