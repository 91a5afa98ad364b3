"""Faults made by hand: what the recording shows of them, and what it cannot.

A node comes back from bus-off by itself: ISO 11898-1 (fault confinement; from memory). All else is
common practice, no source. The rows are made here; nothing of the judging code is used.
"""

import json
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import can
import pytest
from support.bench_nodes import MS, SECOND, STATUS, Bench, Row, good_unit, serious, stated, unsigned
from support.command import busplan
from support.recording_bus import KIND, RememberingBus, install

from busplan.bench.fault_steps import FaultAnswer, FaultOutcome, fault_cues, fault_plan
from busplan.bench.node_report import BenchReport, NodeVerdict, SupplySignal
from busplan.definitions.model import Message
from busplan.errors import UsageError
from busplan.frames.kinds import ERROR

BEFORE = 12.0
STEPS, SECONDS = fault_plan(["short"], BEFORE)
MAKE, MEND, UNTIL = STEPS[0][1:]
Rows = list[Row]
VOLTS = Message(
    *("Volts", 0x300, False, 2, (unsigned("Supply", 0, 16, scale=0.01, unit="V"),), ("meter",)),
    cycle=stated(100),
)


def judged(kind: str, rows: Rows, **limits: object) -> tuple[BenchReport, FaultOutcome]:
    steps, _ = fault_plan([kind], BEFORE)
    bench = Bench(good_unit(), more={"others": {"meter": [VOLTS]}})
    first = min(r.time_ns for r in rows)
    moved = tuple(s.moved(-first) for s in steps)
    report = bench.judge(rows, seconds=SECONDS, faults=moved, begin_ns=-first, **limits)
    return report, report.faults[0]


def unit() -> Rows:
    return Bench(good_unit()).rows(SECONDS)


def silent(rows: Rows, from_ns: int, to_ns: int) -> Rows:
    return [r for r in rows if not from_ns <= r.time_ns < to_ns]


def anew(rows: Rows, from_ns: int, to_ns: int) -> Rows:
    """Gone for that long, then started again with its counters from zero."""
    again = [replace(r, time_ns=r.time_ns + to_ns) for r in rows]
    kept = [r for r in rows if r.time_ns < from_ns]
    return kept + [r for r in again if r.time_ns < SECONDS * SECOND]


def errors(count: int) -> Rows:
    return [Row(MAKE + 400 * MS + n * 20 * MS, 0x08, ERROR, bytes(8)) for n in range(count)]


def volts(low: float) -> Rows:
    made = []
    for t in range(50 * MS, round(SECONDS * SECOND), 100 * MS):
        now = low if MAKE + SECOND < t < MEND else 12.4
        made.append(Row(t, 0x300, 0, round(now * 100).to_bytes(2, "little")))
    return made


Spoil = Callable[[Rows], Rows]
HAND = 500 * MS
BACK = MEND + 700 * MS
CASES: dict[str, tuple[str, Spoil, FaultAnswer, str, list[str]]] = {
    "short, back": (
        *("short", lambda r: silent(r, MAKE + HAND, BACK) + errors(30), FaultAnswer.HELD),
        *("s after the prompt to mend it (the hand included); 30 error frames", []),
    ),
    "short, never made": (
        *("short", lambda r: r, FaultAnswer.NOT_SHOWN, "so the pair was not shorted"),
        ["hand-fault-not-shown"],
    ),
    "short, gone for good": (
        *("short", lambda r: silent(r, MAKE + HAND, 10**15), FaultAnswer.FAILED),
        *("did not come back", ["hand-fault-failed", "stops-early"]),
    ),
    "short, one message gone": (
        "short",
        lambda r: [
            x
            for x in silent(r, MAKE + HAND, BACK)
            if x.identifier != STATUS.identifier or not MAKE < x.time_ns < UNTIL
        ],
        *(FaultAnswer.FAILED, "UnitStatus did not come back", ["hand-fault-failed"]),
    ),
    "short, restarted": (
        *("short", lambda r: anew(r, MAKE + HAND, BACK), FaultAnswer.HELD),
        *("2 counters began anew: it restarted", ["hand-fault-restart"]),
    ),
    "open, errors only": ("open", lambda r: r + errors(9), FaultAnswer.HELD, "it went on; 9", []),
    "open, no trace": (
        *("open", lambda r: r, FaultAnswer.NOT_SHOWN, "nothing shows that the wire was open"),
        ["hand-fault-not-shown"],
    ),
    "terminator, no trace": (
        *("terminator", lambda r: r, FaultAnswer.NOT_SHOWN),
        *("a recording cannot show that the terminator was away", []),
    ),
    "low supply, went on": (
        *("low-supply", lambda r: r + volts(9.1), FaultAnswer.HELD, "supply down to 9.1", []),
    ),
    "low supply, no sign of it": (
        *("low-supply", lambda r: r + volts(12.2), FaultAnswer.NOT_SHOWN),
        *("no signal shows that its supply fell", ["hand-fault-not-shown"]),
    ),
    "low supply, restarted": (
        *("low-supply", lambda r: anew(r, MAKE + HAND, BACK), FaultAnswer.HELD),
        *("it restarted", []),
    ),
    "low supply, short frames": (
        "low-supply",
        lambda r: [
            replace(x, data=x.data[:-1]) if MAKE < x.time_ns < MEND else x for x in r
        ] + volts(9.1),
        *(FaultAnswer.FAILED, "it sent wrong frames: payload-short", ["hand-fault-failed"]),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_each_fault_is_judged_by_what_the_recording_shows(name: str) -> None:
    kind, spoil, answer, words, codes = CASES[name]
    report, outcome = judged(kind, spoil(unit()), supply=SupplySignal("Volts", "Supply"))
    assert (outcome.answer, serious(report)) == (answer, codes), outcome.words
    assert words in outcome.words
    longest = max(m.cycle.longest_ns for m in report.messages if m.cycle is not None)
    assert longest < 2 * SECOND, "no figure is taken over the fault"
    wanted = {FaultAnswer.HELD: NodeVerdict.PASS, FaultAnswer.FAILED: NodeVerdict.FAIL}
    if "hand-fault-restart" in codes:
        assert report.verdict is NodeVerdict.DOUBTFUL
    elif kind != "terminator":
        assert report.verdict is wanted.get(answer, NodeVerdict.NOT_PROVEN)


def test_an_adapter_that_may_have_left_the_bus_accuses_nobody() -> None:
    rows = silent(unit(), MAKE + HAND, 10**15)
    _, outcome = judged("short", rows, acknowledges=True)
    assert outcome.answer is FaultAnswer.NOT_SHOWN
    assert "the recording adapter may have left the bus" in outcome.words


@pytest.mark.parametrize("name", ["short, back", "short, gone"])
def test_a_recording_that_is_not_whole_shows_no_fault(name: str) -> None:
    """What was not heard may be the recorder's silence: neither held nor failed."""
    gone = UNTIL if name.endswith("gone") else BACK
    rows = silent(unit(), MAKE + HAND, gone)
    first = min(r.time_ns for r in rows)
    lost = ((MAKE + HAND - first, BACK - first, "this computer did not listen"),)
    report, outcome = judged("short", rows, lost=lost)
    assert outcome.answer is FaultAnswer.NOT_SHOWN
    assert "the recording is not whole" in outcome.words
    assert report.verdict is NodeVerdict.NOT_PROVEN


def test_a_test_that_ended_early_shows_nothing() -> None:
    rows = [r for r in unit() if r.time_ns < MEND]
    report, outcome = judged("short", rows, end_ns=MEND)
    assert outcome.words == "the test ended before it was over"
    assert report.verdict is NodeVerdict.NOT_PROVEN


def test_the_plan_leaves_time_around_each_fault() -> None:
    steps, seconds = fault_plan(["all", "short"], 1.0)
    assert [s.kind for s in steps] == ["short", "open", "terminator", "low-supply"]
    assert seconds == steps[-1].until_ns / 1e9 + 3
    assert all(b.make_ns - a.until_ns == 3 * SECOND for a, b in pairwise(steps))
    cues = list(fault_cues(steps[:1], "unit"))
    assert [at for at, _ in cues] == [0.5, 3.0, 9.0, 19.0]
    with pytest.raises(UsageError, match="there are short, open"):
        fault_plan(["fire"], 1)


def test_the_command_leads_and_keeps_the_outcome(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Times made short; the bus plays the unit as if nothing had happened, and gets no frame."""
    for name, value in (("SETTLE_S", 0.6), ("HOLD_S", 0.3), ("RECOVER_S", 0.3)):
        monkeypatch.setattr(f"busplan.bench.fault_steps.{name}", value)
    install()
    RememberingBus.incoming.append(can.Message(arbitration_id=0x120, is_extended_id=False))
    dbc = tmp_path / "unit.dbc"
    dbc.write_text('VERSION ""\nBU_: U\nBO_ 288 Status: 0 U\n', encoding="ascii")
    run = busplan(
        *("bench", "U", "--part", dbc, "-i", f"{KIND}:x", "--seconds", "0.3"),
        *("--fault", "terminator", "--record", tmp_path),
    )
    told = " ".join(run.err.split())
    assert "never on a vehicle" in told
    assert "licensed person" in told
    assert "Fault 1 of 1 at U: take one of the two terminators off NOW." in told
    assert "Fault 1 of 1 at U: put the terminator back NOW." in told
    document = json.loads(next(tmp_path.glob("bench-*.json")).read_text("utf-8"))
    assert [f["answer"] for f in document["hand_faults"]] == ["not shown"]
    assert "fault terminator" in next(tmp_path.glob("bench-*.md")).read_text("utf-8")
    assert '"what": "prompt"' in next(tmp_path.glob("*.journal")).read_text("utf-8")
    assert RememberingBus.sent == []
