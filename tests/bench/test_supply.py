"""When the node got its supply: narrowed by what the capture shows, with moments planted here.

How long a hand takes, and what begins with a supply: common practice, no source.
"""

from collections.abc import Sequence

import pytest
from support.bench_nodes import MS, SECOND, Bench, Row, good_unit, stated, unsigned

from busplan.bench.node_report import BenchReport, SupplySignal
from busplan.definitions.model import Message
from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.frames.kinds import ERROR

VOLTS = Message(
    "Volts", 0x300, False, 2, (unsigned("Supply", 0, 16, scale=0.01, unit="V"),), ("meter",),
    cycle=stated(50),
)  # fmt: skip
PROMPT = 3 * SECOND
SWITCHED = PROMPT + 600 * MS
FIRST = PROMPT + 1100 * MS


def meter(volts_at: Sequence[tuple[int, float]]) -> list[Row]:
    """A voltmeter that sends every 50 ms, with the volts from each moment on."""
    rows = []
    for t in range(0, 12 * SECOND, 50 * MS):
        volts = [v for at, v in volts_at if at <= t][-1]
        rows.append(Row(t, 0x300, 0, round(volts * 100).to_bytes(2, "little")))
    return rows


def judged(extra: Sequence[Row], **limits: object) -> BenchReport:
    """The good unit, first heard 1.1 s after the prompt; of which 0.4 s are allowed."""
    bench = Bench(good_unit(0.0), more={"others": {"meter": [VOLTS]}})
    rows = bench.rows(7)
    first = min(r.time_ns for r in rows)
    moved = [Row(r.time_ns - first + FIRST, r.identifier, r.flags, r.data) for r in rows]
    ready = Row(0, 0x7FF, 0, b"")
    limits = {"start_within_ns": 400 * MS, "hand_ns": SECOND, **limits}
    return bench.judge([ready, *moved, *extra], seconds=11, **limits)


def late(report: BenchReport) -> tuple[Weight, str]:
    return next((f.weight, f.summary) for f in report.findings if f.code == "starts-late")


@pytest.mark.parametrize("prompt", [None, PROMPT])
def test_a_supply_signal_takes_the_hand_out(prompt: int | None) -> None:
    """Switched on 0.6 s after the prompt: 0.5 s to the first frame, give or take one of its own."""
    edge = meter([(0, 0.2), (SWITCHED, 12.4)])
    report = judged(edge, power_on_ns=prompt, supply=SupplySignal("Volts", "Supply"))
    assert report.start is not None
    assert (report.start.least_ns, report.start.most_ns) == (500 * MS, 550 * MS)
    weight, words = late(report)
    assert weight is Weight.FAULT
    assert "0.500 to 0.550 s after power-on (known by the supply signal)" in words


def test_a_supply_that_was_on_all_the_time_shows_no_edge() -> None:
    supply = SupplySignal("Volts", "Supply")
    assert judged(meter([(0, 12.0), (SWITCHED, 12.4)]), supply=supply).start is None
    with pytest.raises(UsageError, match="messages of others: Volts"):
        judged([], supply=SupplySignal("UnitStatus", "SupplyVoltage"))


@pytest.mark.parametrize(
    ("row", "known"),
    [
        (Row(SWITCHED + 100 * MS, 0x555, 0, b"1"), "by the first frame of 0x555"),
        (Row(SWITCHED + 100 * MS, 0x04, ERROR, bytes(8)), "by the first bus error"),
        (Row(PROMPT + 50 * MS, 0x555, 0, b"1"), "by hand"),
        (Row(FIRST + 50 * MS, 0x555, 0, b"1"), "by hand"),
    ],
)
def test_what_began_after_the_prompt_bounds_it(row: Row, known: str) -> None:
    """It may hang on another supply, so it makes no fault of a caution."""
    again = [Row(row.time_ns + n * SECOND, row.identifier, row.flags, row.data) for n in range(5)]
    report = judged(again, power_on_ns=PROMPT)
    assert report.start is not None
    least = 1100 * MS - (700 * MS if known != "by hand" else SECOND)
    assert (report.start.known, report.start.most_ns) == (known, 1100 * MS)
    assert report.start.least_ns == least
    weight, words = late(report)
    assert weight is Weight.CAUTION
    assert ("if both hang on one supply" in words) is (known != "by hand")
    assert ("may be the hand that switched" in words) is (known == "by hand")


def test_a_sender_that_was_there_before_bounds_nothing() -> None:
    steady = [Row(n * 200 * MS + 10 * MS, 0x555, 0, b"1") for n in range(50)]
    report = judged(steady, power_on_ns=PROMPT)
    assert report.start is not None
    assert report.start.known == "by hand"
