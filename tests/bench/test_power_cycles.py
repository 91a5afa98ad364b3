"""Power-ons in a row: starts planted to the millisecond, and what they amount to."""

from dataclasses import replace
from pathlib import Path

import can
import pytest
from support.bench_nodes import (
    HEARTBEAT,
    MS,
    SECOND,
    STATUS,
    Bench,
    Row,
    good_unit,
    serious,
    told,
)
from support.command import busplan
from support.recording_bus import KIND, RememberingBus, install

from busplan.bench.live_run import cycle_plan
from busplan.bench.node_report import BenchReport, NodeVerdict

ON_S, OFF_S = 12.0, 3.0


def started(delays_ms: list[float], bench: Bench | None = None) -> list[Row]:
    """A node that is switched on at 3, 18, 33 ... s and sends after its delay."""
    bench = bench or Bench(good_unit())
    rows: list[Row] = []
    for n, delay in enumerate(delays_ms):
        begin = round((n * (ON_S + OFF_S) + OFF_S) * SECOND + delay * MS)
        run = bench.rows(ON_S - delay / 1e3, seed=n)
        rows += [replace(r, time_ns=r.time_ns + begin) for r in run]
    return rows


def judged(rows: list[Row], count: int, **limits: object) -> BenchReport:
    moments, seconds = cycle_plan(count, ON_S, OFF_S)
    first = min(r.time_ns for r in rows)
    moved = tuple((off - first, on - first) for off, on in moments)
    return Bench(good_unit()).judge(
        rows, seconds=seconds, power_cycles=moved, begin_ns=-first, **limits
    )


def test_good_starts_pass_with_their_times() -> None:
    report = judged(started([400, 450, 520]), 3, hand_ns=SECOND)
    assert serious(report) == []
    assert report.verdict is NodeVerdict.PASS
    assert report.starts is not None
    assert (report.starts.wanted, report.starts.seen) == (3, 3)
    assert report.starts.first_s == pytest.approx([0.403, 0.453, 0.523], abs=0.003)
    status = next(m for m in report.starts.messages if m.message == "UnitStatus")
    assert status.first_counts == (0,)
    heartbeat = next(m for m in report.starts.messages if m.message == "UnitHeartbeat")
    assert heartbeat.middle_ms == pytest.approx(4, abs=2.5), "7 ms after, less the 3 of the first"


def test_a_cycle_in_which_it_stayed_on_is_not_counted() -> None:
    report = judged(Bench(good_unit()).rows(45), 3)
    assert "of 3 power cycles" in told(report, "cycle-not-off")
    assert report.starts is not None
    assert report.starts.seen == 0


def test_a_node_that_does_not_come_back_is_told_as_that() -> None:
    """Of four power-ons the last two bring nothing, so nobody can say that it stayed on."""
    report = judged(started([400, 450]), 4)
    told = {f.code: f for f in report.findings}
    assert "after 2 of 4 power-ons nothing" in told["cycle-not-back"].summary
    assert "cycle-not-off" not in told
    assert report.verdict is not NodeVerdict.PASS
    gap = [*started([400]), *(r for r in started([400, 400, 400]) if r.time_ns > 32 * SECOND)]
    told = {f.code: f for f in judged(gap, 3).findings}
    assert "after 1 of 3 power-ons nothing" in told["cycle-not-back"].summary


def test_no_first_frame_is_called_unmeasured_beside_those_of_the_power_cycles() -> None:
    from busplan.bench.record import BenchRecord, facts

    head = dict(facts(BenchRecord(judged(started([400, 450]), 2))))
    assert head["first frame"] == "after each power-on, see power cycles"
    assert head["power cycles"].startswith("2 of 2 seen")


def test_a_start_over_which_frames_were_lost_says_nothing() -> None:
    """The second node comes 6 s late by the recording, which lost those 6 s."""
    rows = started([400, 6_000, 450])
    first = min(r.time_ns for r in rows)
    lost = ((18 * SECOND - first, 24 * SECOND - first, "this computer did not listen"),)
    report = judged(rows, 3, start_within_ns=SECOND, lost=lost)
    assert report.starts is not None
    assert (report.starts.seen, report.starts.lost, report.starts.gone) == (2, 1, 0)
    assert serious(report) == ["recording-not-whole"]


def test_a_message_that_does_not_always_come_is_a_fault() -> None:
    rows = [
        r
        for r in started([400, 450, 500])
        if r.identifier != HEARTBEAT.identifier or not 18e9 < r.time_ns < 33e9
    ]
    report = judged(rows, 3)
    assert "UnitHeartbeat came in 2 of 3" in told(report, "start-incomplete")
    assert report.verdict is NodeVerdict.FAIL


def test_an_uneven_start_is_told() -> None:
    rows = [
        r
        for r in started([400, 450, 500])
        if r.identifier != STATUS.identifier or not 18e9 < r.time_ns < 18e9 + 2.5e9
    ]
    assert "start-uneven" in serious(judged(rows, 3))


def test_checksums_wrong_at_each_start_are_told() -> None:
    begins = [3.4, 18.45, 33.5]
    rows = [
        replace(r, data=r.data[:-1] + b"\x00")
        if r.identifier == STATUS.identifier and any(b < r.time_ns / 1e9 < b + 0.25 for b in begins)
        else r
        for r in started([400, 450, 500])
    ]
    report = judged(rows, 3)
    assert "in 3 power cycles of 3" in told(report, "checksum-wrong-at-start")


def test_the_slowest_start_is_held_to_its_limit() -> None:
    rows = started([400, 2450, 500])
    late = judged(rows, 3, start_within_ns=1_000 * MS, hand_ns=SECOND)
    assert "in power cycle 2 of 3 the first frame came 2.45" in told(late, "starts-late")
    assert "late in" not in told(late, "starts-late")
    (finding,) = (f for f in late.findings if f.code == "starts-late")
    first = min(r.time_ns for r in rows)
    at = min(r.time_ns for r in rows if r.time_ns > 18 * SECOND) - first
    assert finding.where.time_ns == pytest.approx(at, abs=MS)
    assert serious(judged(rows, 3, start_within_ns=3_000 * MS)) == []


def test_every_late_start_is_named_by_its_prompt() -> None:
    """The second brought nothing: numbers are those of the prompts, not of the starts seen."""
    rows = [r for r in started([400, 400, 1_700, 2_450]) if not 16 < r.time_ns / SECOND < 32]
    late = told(judged(rows, 4, start_within_ns=1_000 * MS), "starts-late")
    assert "in power cycle 4 of 4 the first frame came 2.45" in late
    assert late.endswith("; late in cycle 3, too")


def test_the_tester_is_led_through_the_cycles(tmp_path: Path) -> None:
    install()
    RememberingBus.incoming.append(
        can.Message(arbitration_id=STATUS.identifier, is_extended_id=False, data=bytes(8))
    )
    plan = Path(__file__).parents[2] / "dbc_examples" / "as_built.toml"
    run = busplan(
        *("bench", "charger", "--plan", plan, "-i", f"{KIND}:x", "--record", tmp_path),
        *("--cycles", "1", "--off-seconds", "1", "--seconds", "0.3"),
    )
    assert "Cycle 1 of 1: switch charger OFF now." in run.err
    assert "Cycle 1 of 1: switch charger ON now." in run.err
    assert RememberingBus.sent == []
    both = busplan(
        *("bench", "charger", "--plan", plan, "-i", f"{KIND}:x", "--cycles", "2", "--power-on", "1")
    )
    assert both.code == 3
