"""What the recording shows of faults that the tester made by hand.

The rules of this file: pure. A fault that left no trace in the recording was not shown, and nothing
is said for the node; a missing terminator mostly leaves none. That the trace is of this fault is
the tester's word. Times after a prompt hold the tester's hand. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from busplan.bench.fault_steps import KINDS, SETTLE_S, FaultAnswer, FaultOutcome, FaultStep
from busplan.bench.losses import lost_pauses
from busplan.bench.message import prove_message
from busplan.bench.node_report import BenchLimits
from busplan.bench.restarts import find_interruptions
from busplan.bench.rhythm import Listened, Pause
from busplan.bench.supply import Supply
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.kinds import ERROR
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import counted, listing, plain

LEAST_SILENT_NS = 500_000_000
"""A node that pauses for less than this, or less than a few of its cycles, was not silent."""
EARLY_NS = 1_000_000_000
"""So much before the prompt a tester who knows what comes may make the fault."""
SURE_COUNTERS = 2
"""One counter may begin anew by chance, so many at once do not."""
BUS_OFF = 0x40
"""Error class "bus off" of the recording adapter itself (Linux, ``can/error.h``)."""
DROP = 0.08
"""A supply that falls by this share shows that it was lowered."""
NOT_BACK = "it did not come back"
CONTENT = frozenset(
    {
        "checksum-wrong",
        "signal-out-of-range",
        "signal-beyond-plan",
        "payload-short",
        "cell-saturated",
    }
)


def outside_faults(table: FrameTable, pauses: Sequence[Pause]) -> FrameTable:
    """The frames that came while no fault was made."""
    kept = np.ones(len(table), np.bool_)
    for pause in pauses:
        kept &= (table.time_ns < pause.from_ns) | (table.time_ns >= pause.to_ns)
    return table if kept.all() else table.take(np.flatnonzero(kept))


def fault_pauses(steps: Sequence[FaultStep], origin_ns: int) -> tuple[Pause, ...]:
    """The times of the faults, over which nothing else is judged: a hand may also be early."""
    return tuple(Pause(origin_ns + s.make_ns - EARLY_NS, origin_ns + s.until_ns) for s in steps)


def end_outside(end_ns: int, pauses: Sequence[Pause]) -> int:
    """The end of listening; where it came during a fault, the moment before that."""
    return next((p.from_ns for p in pauses if p.from_ns < end_ns <= p.to_ns), end_ns)


def near_fault(time_ns: int | None, pauses: Sequence[Pause], origin_ns: int) -> bool:
    """Whether something that takes several frames was cut off by a fault."""
    at = None if time_ns is None else origin_ns + time_ns
    near = 2 * EARLY_NS
    return at is not None and any(p.from_ns - near <= at <= p.to_ns + near for p in pauses)


def fault_outcomes(
    table: FrameTable,
    own: Sequence[Stream],
    supply: Supply,
    limits: BenchLimits,
    origin_ns: int,
    end_ns: int,
) -> tuple[FaultOutcome, ...]:
    """What each fault of the test showed; ``table`` holds all that others sent on the network."""
    cyclic = [s for s in own if not s.event and s.cycle is not None]
    found = []
    for step in limits.faults:
        here = step.moved(origin_ns)
        begin = here.make_ns - round(SETTLE_S * 1e9)
        if here.until_ns > end_ns + LEAST_SILENT_NS:
            found.append(_none(step, "the test ended before it was over"))
            continue
        if _lost_over(limits, here.make_ns - EARLY_NS, here.until_ns, origin_ns):
            found.append(_none(step, "the recording is not whole there"))
            continue
        rows = np.flatnonzero((table.time_ns >= begin) & (table.time_ns < here.until_ns))
        found.append(_outcome(table.take(rows), cyclic, supply, limits, step, here))
    return tuple(found)


def _lost_over(limits: BenchLimits, begin_ns: int, end_ns: int, origin_ns: int) -> bool:
    """Whether frames were lost within a time: a silence then may be the recorder's own."""
    pauses = lost_pauses(limits, origin_ns)
    return any(p.from_ns < end_ns and p.to_ns > begin_ns for p in pauses)


def _none(step: FaultStep, words: str, **measured: Any) -> FaultOutcome:
    values: dict[str, Any] = {
        "errors": 0,
        "silent_s": None,
        "back_s": None,
        "counters_anew": 0,
        "supply_low": None,
    }
    at_s = step.make_ns / 1e9
    return FaultOutcome(step.kind, FaultAnswer.NOT_SHOWN, words, at_s, **{**values, **measured})


def _outcome(
    table: FrameTable,
    cyclic: Sequence[Stream],
    supply: Supply,
    limits: BenchLimits,
    step: FaultStep,
    here: FaultStep,
) -> FaultOutcome:
    """One fault; ``table`` reaches from a while before it to its end, ``here`` is in its clock."""
    keyed = [table.time_ns[table.rows_of(s.key)] for s in cyclic]
    times = np.sort(np.concatenate(keyed)) if keyed else np.empty(0, np.int64)
    if not (times < here.make_ns).any():
        return _none(step, "the node was not heard right before it")
    is_error = (table.flags & ERROR) != 0
    error_ns = table.time_ns[is_error]
    during = error_ns >= here.make_ns
    errors = int(during.sum())
    left = bool(((table.identifier[is_error][during] & BUS_OFF) != 0).any())
    shortest = min(s.cycle.ns for s in cyclic if s.cycle is not None)
    least = max(LEAST_SILENT_NS, round(limits.gap_cycles * shortest))
    silence = _silence(times, here, least)
    low = _dip(supply, here)
    anew = max(
        (
            i.broken
            for i in find_interruptions(table, cyclic, times, limits)
            if i.restart and i.pause.to_ns >= here.make_ns
        ),
        default=0,
    )
    back = None
    if silence is not None and silence.to_ns > here.mend_ns:
        back = silence.to_ns - here.mend_ns
    gone = silence is not None and silence.to_ns >= here.until_ns
    measured: dict[str, Any] = {
        "errors": errors,
        "silent_s": None if silence is None else (silence.to_ns - silence.from_ns) / 1e9,
        "back_s": None if back is None or gone else back / 1e9,
        "counters_anew": anew,
        "supply_low": low,
    }
    if not _shown(step.kind, silence is not None, errors, low):
        return _none(step, _no_trace(step.kind, errors), **measured)
    if gone:
        heard = bool((table.time_ns[~is_error] > here.mend_ns).any())
        if not heard and (left or limits.acknowledges):
            words = "nobody at all was heard after it; the recording adapter may have left the bus"
            return _none(step, words, **measured)
        return _told(step, FaultAnswer.FAILED, NOT_BACK, measured)
    late = [s.message.name for s in cyclic if not _comes_again(table, s, here)]
    if late:
        return _told(step, FaultAnswer.FAILED, f"{listing(late)} did not come back", measured)
    wrong = _wrong(table, cyclic, limits, here)
    if wrong:
        return _told(step, FaultAnswer.FAILED, f"it sent wrong frames: {listing(wrong)}", measured)
    return _told(step, FaultAnswer.HELD, "", measured)


def _silence(times: I64, here: FaultStep, least_ns: int) -> Pause | None:
    """The node's longest silence that begins while the fault is made; ``None`` for none."""
    ends = np.append(times, here.until_ns)
    gaps = np.diff(ends)
    begun = (times < here.mend_ns) & (ends[1:] > here.make_ns)
    gaps = np.where(begun, gaps, 0)
    if not len(gaps) or int(gaps.max()) < least_ns:
        return None
    place = int(gaps.argmax())
    return Pause(int(times[place]), int(ends[place + 1]))


def _dip(supply: Supply, here: FaultStep) -> float | None:
    """The lowest supply while it was to be low; ``None`` when no signal shows that it fell."""
    times, values = supply
    before = values[(times < here.make_ns) & (times >= here.make_ns - round(SETTLE_S * 1e9))]
    during = values[(times >= here.make_ns) & (times < here.until_ns)]
    if not len(before) or not len(during):
        return None
    usual, low = float(np.median(before)), float(during.min())
    return low if low <= (1 - DROP) * usual else None


def _shown(kind: str, silent: bool, errors: int, low: float | None) -> bool:
    """Whether the recording holds a trace of such a fault."""
    if kind == "short":
        return silent
    if kind == "low-supply":
        return silent or low is not None
    return silent or errors > 0


def _no_trace(kind: str, errors: int) -> str:
    if kind == "short":
        beside = f", with {counted(errors, 'error frame')}" if errors else ""
        return f"the node was heard all the time{beside}, so the pair was not shorted"
    if kind == "low-supply":
        return (
            "the node was heard all the time, and no signal shows that its supply fell; "
            "--supply-signal names one"
        )
    if kind == "terminator":
        return "it went on without an error; a recording cannot show that the terminator was away"
    return "it went on without an error, so nothing shows that the wire was open"


def _comes_again(table: FrameTable, stream: Stream, here: FaultStep) -> bool:
    """Whether a message came after the fault, where it was due."""
    assert stream.cycle is not None
    times = table.time_ns[table.rows_of(stream.key)]
    due = 2 * stream.cycle.ns < here.until_ns - here.mend_ns
    return bool((times >= here.mend_ns).any()) or not (due and (times < here.make_ns).any())


def _wrong(
    table: FrameTable, cyclic: Sequence[Stream], limits: BenchLimits, here: FaultStep
) -> list[str]:
    """Codes of wrong content that the node sent from the fault on and not before."""
    span = Listened(int(table.time_ns[0]), here.until_ns, int(table.time_ns[-1]))
    plain = replace(limits, faults=())
    before = table.take(np.flatnonzero(table.time_ns < here.make_ns))

    def codes(part: FrameTable) -> set[str]:
        proofs = (prove_message(part, s, span, plain) for s in cyclic)
        return {f.code for p in proofs for f in p.findings if f.code in CONTENT}

    return sorted(codes(table) - codes(before))


def _told(
    step: FaultStep, answer: FaultAnswer, words: str, measured: dict[str, Any]
) -> FaultOutcome:
    """The outcome with what was measured in words."""
    parts = [words] if words else []
    silent, back = measured["silent_s"], measured["back_s"]
    if silent is None:
        parts.append("it went on")
    elif back is not None:
        parts.append(
            f"silent for {plain(silent, 3)} s, back {plain(back, 3)} s after the prompt to "
            "mend it (the hand included)"
        )
    elif words != NOT_BACK:
        parts.append(f"silent for {plain(silent, 3)} s, back before the prompt to mend it")
    else:
        parts.append(f"silent for {plain(silent, 3)} s, to the end")
    if measured["supply_low"] is not None:
        parts.append(f"supply down to {plain(measured['supply_low'])}")
    errors = measured["errors"]
    none = "no error frame (not every adapter tells them)"
    parts.append(counted(errors, "error frame") if errors else none)
    anew = measured["counters_anew"]
    if anew >= SURE_COUNTERS:
        parts.append(f"{counted(anew, 'counter')} began anew: it restarted")
    elif anew:
        parts.append("one counter began anew: perhaps it restarted")
    return FaultOutcome(step.kind, answer, "; ".join(parts), step.make_ns / 1e9, **measured)


def fault_findings(outcomes: Sequence[FaultOutcome], where: Where) -> list[Finding]:
    """One finding for each fault by hand."""
    return [_finding(one, replace(where, time_ns=round(one.at_s * 1e9))) for one in outcomes]


def _finding(one: FaultOutcome, where: Where) -> Finding:
    expect = f"To be seen: {KINDS[one.kind].expect}."
    figures: tuple[Figure, ...] = (Figure("error frames", one.errors),)
    if one.silent_s is not None:
        figures += (Figure("silence", one.silent_s, "s"),)
    told = f"{one.kind}: {one.words}"
    if one.answer is FaultAnswer.FAILED:
        return Finding(
            "hand-fault-failed",
            Weight.FAULT,
            where,
            told,
            why=f"A fault that passes has to leave a node as it was. {expect}",
            action="Ask the maker how it recovers; test again.",
            figures=figures,
        )
    if one.answer is FaultAnswer.NOT_SHOWN:
        # Nobody can be asked for a trace that this fault does not leave.
        return Finding(
            "hand-fault-not-shown",
            Weight.NOTE if one.kind == "terminator" else Weight.CAUTION,
            where,
            told,
            why=f"What the recording does not show proves nothing. {expect}",
            action="Make the fault again when the prompts come.",
            figures=figures,
        )
    restart = one.counters_anew >= SURE_COUNTERS and one.kind != "low-supply"
    return Finding(
        "hand-fault-restart" if restart else "hand-fault-held",
        Weight.CAUTION if restart else Weight.NOTE,
        where,
        told,
        why=f"{expect} That it was this fault is the tester's word.",
        action="Ask the maker why a fault of the wires makes it restart." if restart else "",
        figures=figures,
    )
