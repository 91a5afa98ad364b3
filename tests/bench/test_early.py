"""What is certain before a test has ended: soon where a fault is plain, rarely wrong where not.

The sign test is held against exact binomial chances; the error rate against made nodes whose median
lies exactly at its tolerance, the worst a right node can be.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom
from support.bench_nodes import (
    BENCH,
    LIMITS,
    MS,
    STATUS,
    UNIT,
    Bench,
    Row,
    good_unit,
    stated,
    table_of,
)

from busplan.bench.early import ERROR_RATE, EarlyLook, _rate, look, tail
from busplan.bench.node_report import BenchLimits
from busplan.bench.run import BenchTest
from busplan.findings import Weight
from busplan.plan.vehicle import Stream


def looks(bench: Bench, rows: list[Row], seconds: int = 10) -> list[EarlyLook]:
    """One look a second at what has come till then."""
    test = BenchTest.of(bench.vehicle(), UNIT, BENCH, BenchLimits())
    return [
        look(
            test,
            table_of(r for r in rows if r.time_ns < n * 1e9),
            elapsed_s=n,
            seconds=seconds,
            number=n,
        )
        for n in range(1, seconds + 1)
    ]


def first_told(seen: list[EarlyLook], code: str) -> float | None:
    return next((s.elapsed_s for s in seen if code in {f.code for f in s.certain}), None)


def test_a_right_node_is_right_so_far_and_never_wrong() -> None:
    bench = Bench(good_unit())
    seen = looks(bench, bench.rows(30), 30)
    assert [f.code for s in seen for f in s.certain] == []
    assert {r.state for r in seen[-1].rows} == {"right so far"}
    assert [r.state for r in seen[0].rows][:1] == ["right so far"]
    assert seen[0].rows[2].state == "right, few so far"
    assert (seen[4].elapsed_s, seen[4].left_s) == (5, 25)
    assert not any(s.nothing for s in seen)


def spoilt(bench: Bench, **changes: object) -> list[Row]:
    """The rows with the status message changed."""
    return [
        replace(r, **changes) if r.identifier == STATUS.identifier else r  # type: ignore[arg-type]
        for r in bench.rows(12)
    ]


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"data": bytes(7)}, "payload-short"),
        ({"identifier": 0x555, "data": bytes(5)}, "message-missing"),
        ({"identifier": 0x555, "data": bytes(5)}, "message-undefined"),
        ({"flags": 1}, "identifier-width-differs"),
    ],
)
def test_plain_faults_are_certain_within_three_seconds(
    changes: dict[str, object], code: str
) -> None:
    bench = Bench([p for p in good_unit() if p.message is not LIMITS])
    at = first_told(looks(bench, spoilt(bench, **changes)), code)
    if code == "message-missing":
        # The heartbeat comes once a second: it takes that long to see the node at all.
        assert at is not None
        assert at <= 4
    else:
        assert at is not None
        assert at <= 3


def test_wrong_checksums_are_certain_with_the_first_one_after_the_kind_is_known() -> None:
    bench = Bench(good_unit())
    rows = bench.rows(12)
    wrong = [
        replace(r, data=r.data[:-1] + bytes([r.data[-1] ^ 1]))
        if r.identifier == STATUS.identifier and 4.2e9 < r.time_ns < 4.3e9
        else r
        for r in rows
    ]
    assert first_told(looks(bench, wrong), "checksum-wrong") == 5


def test_a_bench_without_a_frame_is_told_after_three_seconds() -> None:
    bench = Bench(good_unit())
    seen = looks(bench, [], 5)
    assert [s.nothing for s in seen] == [False, False, True, True, True]
    assert {r.state for r in seen[0].rows} == {"waiting"}
    test = BenchTest.of(bench.vehicle(), UNIT, BENCH)
    later = look(test, table_of([]), elapsed_s=4, seconds=9, number=4, power_on_s=3)
    assert not later.nothing, "it has been on for one second"


@pytest.mark.parametrize(("heads", "throws"), [(0, 1), (3, 5), (11, 11), (40, 60), (900, 1700)])
def test_the_chance_is_the_binomial_one(heads: int, throws: int) -> None:
    """Against scipy's exact distribution."""
    if 2 * heads > throws:
        assert tail(heads, throws) == pytest.approx(binom.sf(heads - 1, throws, 0.5), rel=0.02)
    else:
        assert tail(heads, throws) == 1.0


def false_alarms(median_ms: float, jitter_ms: float, runs: int, seed: int) -> int:
    """Runs of 60 looks in which the rate of a 100 ms message was called wrong."""
    rng = np.random.default_rng(seed)
    message = replace(STATUS, cycle=stated(100))
    stream = Stream(BENCH, UNIT, message, message.cycle, message.cycle)
    accused = 0
    for _ in range(runs):
        gaps = median_ms + rng.normal(0.0, jitter_ms, 600)
        times = np.cumsum(np.round(gaps * MS)).astype(np.int64)
        for number in range(1, 61):
            upto = times[times < number * 1_000 * MS]
            share = ERROR_RATE * 6 / (np.pi * number) ** 2 / 2
            if _rate(stream, upto, 0.10, share):
                accused += 1
                break
    return accused


def test_the_stated_error_rate_is_held_at_the_worst_right_node() -> None:
    """1 in 1000 at most: of 60 tests more than one accused would be far beyond it."""
    assert false_alarms(110.0, 8.0, 60, seed=3) <= 1


def test_twelve_percent_too_slow_is_found_soon() -> None:
    bench = Bench(good_unit(0.5))
    rows = [
        replace(r, time_ns=round(r.time_ns * 1.12)) if r.identifier == STATUS.identifier else r
        for r in bench.rows(12)
    ]
    at = first_told(looks(bench, rows), "cycle-time-off")
    assert at is not None
    assert at <= 3


@pytest.mark.parametrize(
    ("hand_s", "weight"), [(0.0, Weight.FAULT), (0.5, Weight.FAULT), (1.0, Weight.CAUTION)]
)
def test_what_the_hand_may_have_taken_is_no_fault(hand_s: float, weight: Weight) -> None:
    """Started 0.9 s after the prompt where 0.3 s are allowed."""
    bench = Bench(good_unit())
    rows = [replace(r, time_ns=r.time_ns + 897 * MS) for r in bench.rows()]
    early = replace(rows[0], time_ns=0, identifier=0x7FF)
    report = bench.judge(
        [early, *rows],
        power_on_ns=0,
        start_within_ns=300 * MS,
        hand_ns=round(hand_s * 1e9),
    )
    found = next(f for f in report.findings if f.code == "starts-late")
    assert found.weight is weight
    assert ("the hand that switched" in found.summary) is (hand_s > 0)
