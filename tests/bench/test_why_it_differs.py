"""Why a node differs: the hypothesis that explains it is told, and only when it does.

Truth is planted here: identifiers, byte orders and positions of the invented unit are changed and
the definition is left as it was. Thresholds are busplan's own (common practice, no source).
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from support.bench_nodes import (
    BENCH,
    HEARTBEAT,
    LIMITS,
    SECOND,
    STATUS,
    UNIT,
    Bench,
    Program,
    Row,
    good_unit,
    limit_values,
    placed,
    serious,
    stated,
    told,
    unsigned,
    wave,
)

from busplan.bench.node_report import NodeVerdict
from busplan.definitions.model import Message, Signal
from busplan.frames.kinds import EXTENDED
from busplan.plan.vehicle import Network


def at(rows: list[Row], by: int, flags: int = 0) -> list[Row]:
    return [replace(r, identifier=r.identifier + by, flags=r.flags ^ flags) for r in rows]


def test_the_other_width_of_identifiers_is_one_finding() -> None:
    bench = Bench(good_unit())
    report = bench.judge(at(bench.rows(), 0, EXTENDED))
    assert serious(report) == ["identifier-width-differs"]
    assert "29 bits; the definition says 11 bits" in report.findings[0].summary
    assert report.verdict is NodeVerdict.FAIL


@pytest.mark.parametrize("by", [0x10, -0x20])
def test_identifiers_moved_by_a_constant_are_one_finding_with_its_evidence(by: int) -> None:
    bench = Bench(good_unit())
    report = bench.judge(at(bench.rows(), by))
    assert serious(report) == ["identifiers-moved"]
    way = "0x10 higher" if by > 0 else "0x20 lower"
    summary = report.findings[0].summary
    assert way in summary
    assert "3 messages of 3 missing come with the right length, 3 at the right rate, 3 with" in (
        summary
    )


def test_another_source_address_is_told_as_one() -> None:
    messages = [
        placed(replace(STATUS, identifier=0x18FF1027, extended=True)),
        placed(replace(LIMITS, identifier=0x18FF1127, extended=True)),
    ]
    programs = [replace(p, message=m) for p, m in zip(good_unit(), messages, strict=False)]
    bench = Bench(programs, more={"network": Network(BENCH, 250_000, j1939=True)})
    report = bench.judge(at(bench.rows(), 1))
    assert serious(report) == ["identifiers-moved"]
    assert "from address 0x28 instead of 0x27" in report.findings[0].summary


def test_one_missing_message_is_not_explained_by_any_other_of_its_length() -> None:
    bench = Bench(good_unit())
    rows = [r for r in bench.rows() if r.identifier != STATUS.identifier]
    other = [replace(r, identifier=0x555) for r in bench.rows() if r.identifier == 0x121]
    assert serious(bench.judge([*rows, *other])) == ["message-missing", "message-undefined"]
    moved = [replace(r, identifier=0x124) if r.identifier == 0x120 else r for r in bench.rows()]
    report = bench.judge(moved)
    assert serious(report) == ["identifiers-moved"]
    summary = told(report, "identifiers-moved")
    assert "likely UnitStatus under 0x124 instead of 0x120, while 2 messages come where" in summary
    assert "its identifiers lie" not in summary


def two_byte_values(big_endian: bool) -> Message:
    """Six values of two bytes in two messages' worth of one, in either byte order."""
    return replace(
        LIMITS,
        signals=tuple(
            Signal(
                name,
                8 * place + (7 if big_endian else 0),
                16,
                big_endian=big_endian,
                scale=0.1,
                unit=unit,
                minimum=0,
                maximum=top,
            )
            for name, place, unit, top in (
                ("ChargeLimit", 0, "A", 400),
                ("DischargeLimit", 2, "A", 400),
                ("LimitVoltage", 4, "V", 900),
            )
        ),
    )


def test_the_other_byte_order_is_told_with_its_evidence() -> None:
    programs = [Program(two_byte_values(True), 200, limit_values, 5, 1.0)]
    bench = Bench(programs, [two_byte_values(False)])
    report = bench.judge()
    assert serious(report) == ["definition-differs"]
    summary = told(report, "definition-differs")
    assert "with the other byte order all 3 values of UnitLimits are in range and steady" in summary
    assert report.messages[0].verdict is NodeVerdict.FAIL


def test_signals_moved_by_a_byte_are_told() -> None:
    moved = replace(LIMITS, signals=tuple(replace(s, start=s.start + 8) for s in LIMITS.signals))
    programs = [Program(moved, 200, limit_values, 5, 1.0)]
    report = Bench(programs, [LIMITS]).judge()
    assert serious(report) == ["definition-differs"]
    assert "all values 1 byte later" in told(report, "definition-differs")


ROOMS = {
    "DischargeLimit and what follows 8 bits later": ((0, 16), (24, 16), (40, 16)),
    "DischargeLimit and what follows 4 bits later": ((0, 16), (20, 16), (36, 16)),
    "ChargeLimit 12 instead of 16 bits wide and what follows 4 bits earlier": (
        *((0, 12), (12, 16), (28, 16)),
    ),
    "values of 12 instead of 16 bits": ((0, 12), (16, 12), (32, 12)),
    "values of 12 instead of 16 bits, one right behind the other": ((0, 12), (12, 12), (24, 12)),
}
"""The change, and the places (first bit, bits) at which the node then has the three values."""


@pytest.mark.parametrize("big_endian", [False, True])
@pytest.mark.parametrize("words", ROOMS)
def test_values_that_were_moved_or_resized_are_told(words: str, big_endian: bool) -> None:
    """Above a value of 12 bits in the room of 16 stand flags that come and go."""
    flags = words == "values of 12 instead of 16 bits"
    placed_so = []
    for signal, (place, length) in zip(LIMITS.signals, ROOMS[words], strict=True):
        first = place + (4 if flags and big_endian else 0)
        start = first ^ 7 if big_endian else first
        placed_so.append(replace(signal, start=start, length=length, big_endian=big_endian))
    spare = [
        replace(unsigned(f"Flag{n}", (16 * n) ^ 7 if big_endian else 16 * n + 12, 4), scale=1)
        for n in (range(3) if flags else ())
    ]
    spare = [replace(s, big_endian=big_endian) for s in spare]

    def values(k: np.ndarray) -> Mapping[str, np.ndarray]:
        return {**limit_values(k), **{s.name: k // 3 % 11 for s in spare}}

    sent = replace(LIMITS, signals=(*placed_so, *spare))
    bench = Bench([Program(sent, 200, values, 5, 1.0)], [two_byte_values(big_endian)])
    report = bench.judge()
    assert serious(report) == ["definition-differs"], [f.summary for f in report.findings]
    assert f"with {words} all 3 values" in told(report, "definition-differs")


def test_values_beyond_their_range_are_not_made_to_fit_by_fewer_bits() -> None:
    """460 A where 400 A are allowed would be 50.4 A with 12 bits."""

    def hot(k: np.ndarray) -> Mapping[str, np.ndarray]:
        more = {"ChargeLimit": wave(k, 450, 470, 60), "DischargeLimit": wave(k, 440, 480, 70)}
        return {**limit_values(k), **{n: np.round(v, 1) for n, v in more.items()}}

    report = Bench([Program(LIMITS, 200, hot, 5, 1.0)]).judge()
    assert serious(report) == ["signal-out-of-range", "signal-out-of-range"]


def test_a_value_that_is_really_out_of_range_stays_one() -> None:
    def hot(k: np.ndarray) -> Mapping[str, np.ndarray]:
        return {**limit_values(k), "ChargeLimit": np.round(wave(k, 380, 460, 60), 1)}

    report = Bench([Program(LIMITS, 200, hot, 5, 1.0)]).judge()
    assert serious(report) == ["signal-out-of-range"]
    assert "With a scale" not in report.findings[0].action


def test_another_scale_is_hinted_at() -> None:
    def tenfold(k: np.ndarray) -> Mapping[str, np.ndarray]:
        return {**limit_values(k), "LimitVoltage": np.round(10 * wave(k, 380, 398, 80), 1)}

    report = Bench([Program(LIMITS, 200, tenfold, 5, 1.0)]).judge()
    assert serious(report) == ["signal-out-of-range"]
    assert "With a scale of 0.01 instead of 0.1 it would be within (380 to 398 V)." in (
        report.findings[0].action
    )


def test_a_later_software_is_a_note_beside_what_it_adds() -> None:
    more = Message("UnitMore", 0x122, False, 8, (unsigned("What", 0, 16),), (UNIT,))
    programs = [*good_unit(), Program(more, 500, lambda k: {"What": k % 900}, 9)]
    report = Bench(programs, [STATUS, LIMITS, HEARTBEAT]).judge()
    assert serious(report) == ["message-undefined"]
    assert "all 3 defined messages come as defined, and 1 message" in told(
        report, "definition-older"
    )


def twice(bench: Bench, seconds: float = 20) -> list[Row]:
    """Two units of the same kind, the second with counters and a phase of its own."""
    later = [replace(r, time_ns=r.time_ns + 43_000_000) for r in bench.rows(seconds, seed=2)]
    skipped = [r for r in later if r.time_ns > 0.5 * SECOND]
    return [*bench.rows(seconds), *skipped]


def test_two_senders_outrank_what_they_cause() -> None:
    bench = Bench(good_unit())
    report = bench.judge(twice(bench))
    assert serious(report)[0] == "two-senders-likely"
    assert not {"cycle-time-off", "counter-skips", "jitter-large"} & set(serious(report))
    assert report.verdict is NodeVerdict.FAIL
    assert "messages (" in told(report, "two-senders-likely")


@pytest.mark.parametrize("seed", range(5))
def test_a_healthy_node_gets_no_hypothesis(seed: int) -> None:
    bench = Bench(good_unit())
    report = bench.judge(bench.rows(seed=seed))
    assert [f.code for f in report.findings if "differ" in f.code or "moved" in f.code] == []
    slow = replace(HEARTBEAT, cycle=stated(1000))
    assert serious(Bench(good_unit(), [STATUS, LIMITS, slow]).judge()) == []
