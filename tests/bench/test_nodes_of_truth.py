"""Nodes of known truth: each verdict and its reason right, and healthy ones pass.

Limits of what a test may call wrong are busplan's own (common practice, no source); that a sender
without an acknowledge repeats its frame at once: ISO 11898-1, from memory.
"""

from dataclasses import replace

import numpy as np
import pytest
from support.bench_nodes import (
    HEARTBEAT,
    LIMITS,
    MS,
    SECOND,
    STATUS,
    Bench,
    Program,
    Row,
    good_unit,
    limit_values,
    serious,
    stated,
    status_values,
    told,
    unsigned,
    with_program,
)

from busplan.bench.node_report import NodeVerdict
from busplan.definitions.model import Message
from busplan.frames.kinds import BRS, ERROR, FD


@pytest.mark.parametrize("seed", range(10))
def test_healthy_nodes_of_ten_seeds_pass(seed: int) -> None:
    bench = Bench(good_unit())
    assert bench.judge(bench.rows(seed=seed)).verdict is NodeVerdict.PASS


def test_events_and_a_slow_heartbeat_are_no_node_that_stops() -> None:
    event = Message("UnitEvent", 0x130, False, 1, (unsigned("What", 0, 8),), ("unit",))
    event = replace(event, cycle=stated(50), event=True)
    slow = replace(HEARTBEAT, cycle=stated(2000))
    programs = [
        Program(slow, 2000, lambda k: {"Alive": k % 256}),
        Program(event, 7000, lambda k: {"What": k % 5}, 300),
    ]
    report = Bench(programs).judge(seconds=29)
    assert serious(report) == []


def test_a_rate_nobody_states_becomes_the_proposal_and_gaps_show() -> None:
    plain = replace(LIMITS, cycle=None)
    bench = Bench([Program(plain, 100, limit_values, jitter_ms=1.0)])
    whole = bench.judge()
    assert whole.verdict is NodeVerdict.NOT_PROVEN
    assert serious(whole) == ["rate-not-stated"]
    assert "cycle_ms = 100 " in whole.findings[0].action
    holed = bench.judge([r for r in bench.rows() if not 8e9 < r.time_ns < 8.9e9])
    assert holed.verdict is NodeVerdict.DOUBTFUL
    assert "at 7.9 s (silent for 1.1 s)" in told(holed, "node-pauses")
    heartbeat = Program(HEARTBEAT, 200, lambda k: {"Alive": k % 256}, 7)
    bench = Bench([*bench.programs, heartbeat], [plain, replace(HEARTBEAT, cycle=stated(200))])
    rows = [r for r in bench.rows() if r.identifier == 0x700 or not 8e9 < r.time_ns < 8.9e9]
    assert "cycles of its own rhythm" in told(bench.judge(rows), "gap-too-long")
    rows = [r for r in bench.rows() if r.identifier == 0x700 or r.time_ns < 8e9]
    assert "message-stopped" in serious(bench.judge(rows))


def test_restarts_are_one_finding_with_their_moments() -> None:
    bench = Bench(good_unit())
    rows: list[Row] = []
    for begin, end in ((0.0, 26.9), (27.3, 57.7), (58.1, 80.0)):
        run = [replace(r, time_ns=r.time_ns + round(begin * SECOND)) for r in bench.rows(80)]
        rows += [r for r in run if r.time_ns < end * SECOND]
    report = bench.judge(rows, seconds=80)
    assert serious(report) == ["node-restarts"]
    assert report.verdict is NodeVerdict.FAIL
    assert "twice, at 26.8 s and 57.6 s" in told(report, "node-restarts")


def test_a_quick_restart_shows_in_counters_that_begin_anew_together() -> None:
    other = replace(
        LIMITS, signals=(*LIMITS.signals, unsigned("LimitsCounter", 60, 4)), name="UnitLimits"
    )
    program = Program(other, 200, lambda k: limit_values(k) | {"LimitsCounter": k % 16}, 5, 1.0)
    bench = Bench([good_unit()[0], program])
    again = [replace(r, time_ns=r.time_ns + 8_090 * MS) for r in bench.rows(12)]
    report = bench.judge([*(r for r in bench.rows() if r.time_ns < 8.08e9), *again])
    assert serious(report) == ["node-restarts"]


def test_frames_lost_on_the_way_are_no_restart() -> None:
    bench = Bench(good_unit())
    report = bench.judge([r for r in bench.rows() if not 9e9 < r.time_ns < 9.7e9])
    assert serious(report) == ["node-pauses"]
    assert "frames were sent and not heard" in told(report, "node-pauses")


def repeated(every_us: float, count: int = 4000) -> list[Row]:
    first = Bench(good_unit()).rows()[0]
    return [replace(first, time_ns=round(i * every_us * 1e3)) for i in range(count)]


def test_a_frame_that_nobody_acknowledges_withholds_all_else() -> None:
    bench = Bench(good_unit())
    report = bench.judge(repeated(290), seconds=1.2)
    assert serious(report) == ["node-unacknowledged"]
    assert report.verdict is NodeVerdict.NOT_PROVEN
    assert {m.verdict for m in report.messages} == {NodeVerdict.NOT_PROVEN}
    assert "--acknowledge" in report.findings[0].action
    assert "message-missing" in serious(bench.judge(repeated(2000), seconds=8))


def test_errors_that_tell_of_a_missing_acknowledge_do_too() -> None:
    """0x20: no acknowledge, as Linux marks error frames (from memory)."""
    rows = [Row(i * 10 * MS, 0x20, ERROR, bytes(8)) for i in range(60)]
    assert serious(Bench(good_unit()).judge(rows)) == ["node-unacknowledged"]


def test_a_period_that_drifts_is_told_with_both_ends() -> None:
    bench = Bench(good_unit(0.2))

    def stretched(r: Row) -> Row:
        if r.identifier != STATUS.identifier:
            return r
        t = r.time_ns / 30e9
        return replace(r, time_ns=round(30e9 * (t + 0.12 * t * t / 2)))

    rows = [stretched(r) for r in bench.rows(30)]
    report = bench.judge([r for r in rows if r.time_ns < 30e9], seconds=30)
    assert serious(report) == ["cycle-drifts"]
    assert "every 100.4 ms at first and every 110.9 ms" in told(report, "cycle-drifts")


def test_checksums_wrong_at_start_up_only_are_told_so() -> None:
    bench = Bench(good_unit())
    rows = [
        replace(r, data=r.data[:-1] + b"\x00")
        if r.identifier == STATUS.identifier and r.time_ns < 0.8e9
        else r
        for r in bench.rows()
    ]
    report = bench.judge(rows)
    assert serious(report) == ["checksum-wrong"]
    assert "in the first 0.7 s" in told(report, "checksum-wrong")


def test_a_counter_that_wraps_one_early_is_told() -> None:
    def early(k: np.ndarray) -> dict[str, np.ndarray]:
        return {**status_values(k), "StatusCounter": k % 15}

    report = Bench(with_program(good_unit(), "UnitStatus", values=early)).judge()
    assert serious(report) == ["counter-wraps-early"]
    assert "starts again after 14; its definition goes up to 15" in report.findings[0].summary
    short = replace(STATUS.signals[1], maximum=14)
    stated_so = replace(STATUS, signals=(STATUS.signals[0], short, *STATUS.signals[2:]))
    programs = with_program(good_unit(), "UnitStatus", values=early)
    assert serious(Bench(programs, [stated_so, LIMITS, HEARTBEAT]).judge()) == []


def test_a_signal_at_its_raw_maximum_is_told() -> None:
    def top(k: np.ndarray) -> dict[str, np.ndarray]:
        return {**status_values(k), "SupplyVoltage": np.full(len(k), 655.35)}

    report = Bench(with_program(good_unit(), "UnitStatus", values=top)).judge()
    assert serious(report) == ["signal-at-end"]
    assert "655.35 V" in report.findings[0].summary


@pytest.mark.parametrize(
    ("flags", "code"),
    [
        (FD | BRS, None),
        (FD, "bit-rate-switch-differs"),
        (0, "frame-format-differs"),
    ],
)
def test_the_frame_format_is_judged(flags: int, code: str | None) -> None:
    fast = replace(LIMITS, fd=True, bit_rate_switch=True)
    bench = Bench([Program(fast, 200, limit_values, jitter_ms=1.0)])
    report = bench.judge([replace(r, flags=flags) for r in bench.rows()])
    assert serious(report) == ([] if code is None else [code])


def test_a_message_of_which_nobody_states_a_period_need_not_have_come() -> None:
    keys = Message("UnitKeys", 0x131, False, 1, (unsigned("Key", 0, 8),), ("unit",))
    bench = Bench(good_unit(), [*(p.message for p in good_unit()), keys])
    report = bench.judge()
    assert serious(report) == ["message-not-seen"]
    assert "nobody states how often" in told(report, "message-not-seen")
    assert report.verdict is NodeVerdict.NOT_PROVEN
