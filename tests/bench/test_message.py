"""One message over time: fair to a short test, strict with a message that stops."""

from dataclasses import replace

import numpy as np
import pytest
from support.bench import Row, as_built, charger_rows, charger_streams, table_of

from busplan.bench.node_report import UNPROVEN, BenchLimits, BenchReport, NodeVerdict
from busplan.bench.prove import prove_node
from busplan.findings import Weight
from busplan.frames.kinds import ERROR, EXTENDED, REMOTE
from busplan.frames.table import FrameTable


def prove(frames: list[Row] | FrameTable, **limits: object) -> BenchReport:
    table = table_of(frames) if isinstance(frames, list) else frames
    bounds = BenchLimits(**limits)  # type: ignore[arg-type]
    return prove_node(table, as_built(), "charger", limits=bounds)


def serious(report: BenchReport) -> list[str]:
    return [f.code for f in report.findings if f.weight > Weight.NOTE]


OUTPUT = charger_streams()["ChargerOutput"].message.identifier
SLOWEST = max(charger_streams().values(), key=lambda s: s.cycle.ns if s.cycle else 0)


def test_a_message_that_stops_while_the_node_goes_on_is_told() -> None:
    # 16 counts a round: whole rounds only, so that the counter has nothing to say.
    report = prove([r for r in charger_rows() if r[1] != OUTPUT or r[0] < 10e9])
    assert serious(report) == ["message-stopped"]
    assert report.findings[0].where.time_ns == pytest.approx(9.9e9, rel=0.01)


def test_a_node_that_falls_silent_before_the_end_is_told_once() -> None:
    rows = charger_rows(10)
    assert serious(prove(rows)) == []
    assert serious(prove(rows, end_ns=30 * 10**9)) == ["stops-early"]


def test_silence_after_an_error_is_not_told_twice() -> None:
    table = table_of([*charger_rows(10), (10**10, 0, b"")])
    flags = np.where(table.identifier == 0, ERROR, EXTENDED).astype(np.uint8)
    report = prove(replace(table, flags=flags), end_ns=30 * 10**9)
    assert serious(report) == ["silent-after-error"]
    assert report.findings[0].weight is Weight.FAULT


def test_an_error_before_the_node_was_on_says_nothing_of_it() -> None:
    later = [(t + 3 * 10**9, i, p) for t, i, p in charger_rows(10)]
    table = table_of([*later, (0, 0, b"")])
    flags = np.where(table.identifier == 0, ERROR, EXTENDED).astype(np.uint8)
    assert serious(prove(replace(table, flags=flags))) == []


def test_a_slow_message_that_was_not_due_is_not_judged() -> None:
    assert SLOWEST.cycle is not None
    name = SLOWEST.message.name
    rows = [r for r in charger_rows(2) if r[1] != SLOWEST.message.identifier]
    report = prove([r for r in rows if r[0] < 2.2 * SLOWEST.cycle.ns])
    assert set(serious(report)) <= UNPROVEN
    assert {m.message.name: m.verdict for m in report.messages}[name] is NodeVerdict.NOT_PROVEN
    assert report.verdict is NodeVerdict.NOT_PROVEN
    assert "message-not-due" in [f.code for f in report.findings]


def test_two_frames_are_too_few_for_a_fault() -> None:
    wrong = [(t * 5 // 4, i, p) if i == OUTPUT else (t, i, p) for t, i, p in charger_rows(20)]
    early = [f for f in prove(wrong).findings if f.code == "cycle-time-off"]
    assert [f.weight for f in early] == [Weight.FAULT]
    late = prove([r for r in wrong if r[0] < 0.3e9])
    found = [f for f in late.findings if f.code == "cycle-time-off"]
    assert [f.weight for f in found] == [Weight.CAUTION]
    assert "only 3 frames came" in found[0].summary


def test_frames_that_scatter_are_told_as_jitter() -> None:
    rng = np.random.default_rng(1)
    rows = [
        (t + int(rng.integers(0, 60_000_000)), i, p) if i == OUTPUT else (t, i, p)
        for t, i, p in charger_rows()
    ]
    assert serious(prove(rows)) == ["jitter-large"]
    assert serious(prove(rows, jitter_cycles=0.7)) == []


def test_a_remote_frame_is_no_frame_of_the_node() -> None:
    table = table_of([*charger_rows(10), *((t * 10**9 + 1, OUTPUT, b"") for t in range(9))])
    flags = np.where(table.length == 0, EXTENDED | REMOTE, EXTENDED).astype(np.uint8)
    report = prove(replace(table, flags=flags))
    assert serious(report) == []
    assert next(m for m in report.messages if m.message.identifier == OUTPUT).frames == 100


def test_the_same_identifier_from_elsewhere_is_told() -> None:
    """Two senders in turns: the rate doubles, the counters interleave, and the reason is named."""
    other = [(t + 30_000_000, i, p) for t, i, p in charger_rows() if i == OUTPUT]
    report = prove([*charger_rows(), *other])
    assert "two-senders-likely" in serious(report)
    assert {f.where.message for f in report.findings if f.weight > Weight.NOTE} == {"ChargerOutput"}


@pytest.mark.parametrize(("errors", "weight"), [(1, Weight.NOTE), (30, Weight.CAUTION)])
def test_error_frames_are_told(errors: int, weight: Weight) -> None:
    table = table_of([*charger_rows(10), *((t * 10**8 + 50, 0, b"") for t in range(errors))])
    flags = np.where(table.identifier == 0, ERROR, EXTENDED).astype(np.uint8)
    report = prove(replace(table, flags=flags))
    assert [f.weight for f in report.findings if f.code == "bus-errors"] == [weight]
    assert report.errors == errors


def test_start_up_counts_from_the_first_frame_after_power_on() -> None:
    """A capture may hold the node's last frames before it was switched off and on again."""
    rows = [r for r in charger_rows() if not 5e9 < r[0] < 8e9]
    assert prove(rows).start_up_ns is None
    report = prove(rows, power_on_ns=7 * 10**9, start_within_ns=2 * 10**9)
    assert report.start_up_ns == 10**9
    assert "starts-late" not in serious(report)
    assert "starts-late" in serious(prove(rows, power_on_ns=7 * 10**9, start_within_ns=10**8))
