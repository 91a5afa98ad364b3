"""Where each limit of the bench lies: just inside is no finding, just outside is one.

The limits themselves are common practice, no source; these tests hold the code to the values that
``BenchLimits`` and the manual state.
"""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest

from busplan.bench.node_report import UNPROVEN, BenchLimits, BenchReport, NodeVerdict
from busplan.bench.prove import prove_node
from busplan.findings import Weight
from busplan.frames.kinds import ERROR
from busplan.frames.table import FrameTable
from busplan.plan.single import vehicle_of_part
from busplan.plan.vehicle import Vehicle

PROBE, BEAT = 291, 292
DBC = """VERSION ""
BU_: UNIT
BO_ 291 Probe: 8 UNIT
 SG_ Narrow : 0|7@1+ (1,0) [0|127] "" X
 SG_ Wide : 8|8@1+ (1,0) [0|255] "" X
 SG_ Named : 16|8@1+ (1,0) [0|255] "" X
 SG_ Word : 32|16@1+ (1,0) [0|1000] "V" X
BO_ 292 Beat: 1 UNIT
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_ "GenMsgCycleTime" BO_ 291 100;
BA_ "GenMsgCycleTime" BO_ 292 50;
VAL_ 291 Named 0 "off" 1 "on" ;
"""


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Vehicle:
    """A part that sends *Probe* every 100 ms and *Beat* every 50 ms."""
    path = tmp_path_factory.mktemp("part") / "unit.dbc"
    path.write_text(DBC)
    return vehicle_of_part(path, "UNIT", bit_rate=500_000)


def beats(until_ms: float = 20_000.0, since_ms: float = 0.0) -> list[float]:
    return list(np.arange(since_ms, until_ms + 0.001, 50.0))


def every(period_ms: float, until_ms: float = 20_000.0) -> list[float]:
    return list(np.arange(0.0, until_ms + 0.001, period_ms))


def prove(
    vehicle: Vehicle,
    probe_ms: Iterable[float],
    *,
    beat_ms: Iterable[float] | None = None,
    error_ms: Iterable[float] = (),
    payload: bytes = bytes(8),
    **limits: float | None,
) -> BenchReport:
    """Judge frames at these times [ms]."""
    rows = [(round(t * 1e6), PROBE, payload, 0) for t in probe_ms]
    rows += [(round(t * 1e6), BEAT, b"\0", 0) for t in (beats() if beat_ms is None else beat_ms)]
    rows += [(round(t * 1e6), 0, b"", ERROR) for t in error_ms]
    rows.sort()
    table = FrameTable.from_columns(
        ["bench"],
        [10**18 + r[0] for r in rows],
        np.zeros(len(rows)),
        [r[1] for r in rows],
        [r[3] for r in rows],
        [len(r[2]) for r in rows],
        np.frombuffer(b"".join(r[2] for r in rows), np.uint8),
    )
    return prove_node(table, vehicle, "UNIT", limits=BenchLimits(**limits))  # type: ignore[arg-type]


def serious(report: BenchReport) -> list[tuple[str, Weight]]:
    """What is wrong; what was not seen is a matter of ``test_evidence.py``."""
    told = [f for f in report.findings if f.weight > Weight.NOTE and f.code not in UNPROVEN]
    return [(f.code, f.weight) for f in told]


def as_event(vehicle: Vehicle) -> Vehicle:
    """The same part, with *Probe* sent on an event, its cycle time the least distance."""
    streams = [replace(s, event=True) if s.message.name == "Probe" else s for s in vehicle.streams]
    return replace(vehicle, streams=tuple(streams))


@pytest.mark.parametrize(
    ("period_ms", "wrong"),
    [(89.9, True), (90.1, False), (100.0, False), (109.9, False), (110.1, True)],
)
def test_too_fast_counts_as_much_as_too_slow(unit: Vehicle, period_ms: float, wrong: bool) -> None:
    """Ten percent of 100 ms, either way."""
    found = serious(prove(unit, every(period_ms)))
    assert found == ([("cycle-time-off", Weight.FAULT)] if wrong else [])


@pytest.mark.parametrize(("frames", "weight"), [(3, Weight.CAUTION), (4, Weight.FAULT)])
def test_three_distances_make_a_wrong_cycle_time_sure(
    unit: Vehicle, frames: int, weight: Weight
) -> None:
    until = 120.0 * (frames - 1)
    found = serious(prove(unit, every(120.0, until), beat_ms=beats(until)))
    assert found == [("cycle-time-off", weight)]


@pytest.mark.parametrize(
    ("period_ms", "gap_ms", "wrong"),
    [(100.0, 249.0, False), (100.0, 251.0, True), (108.0, 269.0, False), (108.0, 271.0, True)],
)
def test_a_gap_may_last_two_and_a_half_cycles(
    unit: Vehicle, period_ms: float, gap_ms: float, wrong: bool
) -> None:
    """Of the slower one of the stated and the measured cycle."""
    times = [t if t < 10_000 else t - period_ms + gap_ms for t in every(period_ms, 19_900.0)]
    found = serious(prove(unit, times))
    assert found == ([("gap-too-long", Weight.CAUTION)] if wrong else [])


@pytest.mark.parametrize(
    ("period_ms", "last_ms", "node_ms", "wrong"),
    [
        (100.0, 9_000.0, 9_250.0, False),
        (100.0, 9_000.0, 9_300.0, True),
        (108.0, 8_640.0, 8_900.0, False),  # 260 ms: less than 2.5 of its measured cycles
        (108.0, 8_640.0, 8_950.0, True),
    ],
)
def test_a_message_may_end_two_and_a_half_cycles_before_the_node(
    unit: Vehicle, period_ms: float, last_ms: float, node_ms: float, wrong: bool
) -> None:
    found = serious(prove(unit, every(period_ms, last_ms), beat_ms=beats(node_ms)))
    assert found == ([("message-stopped", Weight.FAULT)] if wrong else [])


@pytest.mark.parametrize(
    ("frames", "shift_ms", "wrong"),
    [(101, 51.0, True), (101, 49.0, False), (100, 51.0, False)],
)
def test_jitter_is_judged_from_a_hundred_distances_on(
    unit: Vehicle, frames: int, shift_ms: float, wrong: bool
) -> None:
    """Half a cycle; every fourth frame comes late."""
    times = [100.0 * k + (shift_ms if k % 4 == 2 else 0.0) for k in range(frames)]
    found = serious(prove(unit, times, beat_ms=beats(times[-1])))
    assert found == ([("jitter-large", Weight.CAUTION)] if wrong else [])


def test_jitter_that_the_plan_states_is_allowed(unit: Vehicle) -> None:
    times = [100.0 * k + (60.0 if k % 4 == 2 else 0.0) for k in range(150)]
    assert serious(prove(unit, times)) != []
    streams = tuple(replace(s, jitter_ns=61_000_000) for s in unit.streams)
    allowed = replace(unit, streams=streams)
    assert serious(prove(allowed, times, beat_ms=beats(times[-1]))) == []


@pytest.mark.parametrize(("distance_ms", "wrong"), [(91.0, False), (89.0, True)])
def test_two_events_in_a_hurry_are_enough(unit: Vehicle, distance_ms: float, wrong: bool) -> None:
    times = [0.0, 1_000.0, 3_000.0, 3_000.0 + distance_ms, 9_000.0]
    found = serious(prove(as_event(unit), times))
    assert found == ([("events-too-close", Weight.FAULT)] if wrong else [])


@pytest.mark.parametrize(
    ("seconds_ms", "codes", "verdict"),
    [
        (249.0, [], NodeVerdict.NOT_PROVEN),
        (251.0, [("message-missing", Weight.FAULT)], NodeVerdict.FAIL),
    ],
)
def test_a_message_is_due_after_two_and_a_half_cycles(
    unit: Vehicle, seconds_ms: float, codes: list[object], verdict: NodeVerdict
) -> None:
    report = prove(unit, [], beat_ms=every(50.0, 200.0), end_ns=round(seconds_ms * 1e6))
    assert serious(report) == codes
    assert report.messages[0].verdict is verdict


@pytest.mark.parametrize(("until_ms", "wrong"), [(10_124.0, False), (10_126.0, True)])
def test_a_node_may_be_silent_at_the_end_for_two_and_a_half_quickest_cycles(
    unit: Vehicle, until_ms: float, wrong: bool
) -> None:
    report = prove(
        unit, every(100.0, 10_000.0), beat_ms=beats(10_000.0), end_ns=round(until_ms * 1e6)
    )
    assert serious(report) == ([("stops-early", Weight.CAUTION)] if wrong else [])


@pytest.mark.parametrize(("back_ms", "wrong"), [(249.0, False), (251.0, True)])
def test_a_node_has_five_quickest_cycles_to_come_back_after_an_error(
    unit: Vehicle, back_ms: float, wrong: bool
) -> None:
    """A gap of *Beat* is another matter, so gaps are allowed to be long here."""
    error = 5_001.0
    back = error + back_ms
    probe = [t for t in every(100.0) if not error < t < back]
    beat = sorted({*(t for t in beats() if not error < t < back), back})
    report = prove(unit, probe, beat_ms=beat, error_ms=[error], gap_cycles=10)
    assert serious(report) == ([("silent-after-error", Weight.CAUTION)] if wrong else [])


@pytest.mark.parametrize(("errors", "weight"), [(6, Weight.NOTE), (7, Weight.CAUTION)])
def test_more_than_one_entry_of_a_hundred_is_many_errors(
    unit: Vehicle, errors: int, weight: Weight
) -> None:
    """602 frames: 6 errors of 608 entries are under one percent, 7 of 609 above."""
    times = [10.0 + 100 * k for k in range(errors)]
    report = prove(unit, every(100.0), beat_ms=beats(), error_ms=times)
    assert report.frames == 602
    assert [f.weight for f in report.findings if f.code == "bus-errors"] == [weight]


@pytest.mark.parametrize(("off_ms", "on_before"), [(126.0, False), (124.0, True)])
def test_a_node_that_was_silent_for_long_before_power_on_was_off(
    unit: Vehicle, off_ms: float, on_before: bool
) -> None:
    """Two and a half of its quickest cycles."""
    power_on = 5_000.0 + off_ms
    later = 5_000.0 + 1_000.0
    times = [t for t in every(100.0) if t <= 5_000 or t >= later]
    beat = [t for t in beats() if t <= 5_000 or t >= later]
    report = prove(unit, times, beat_ms=beat, gap_cycles=2.5, power_on_ns=round(power_on * 1e6))
    codes = [code for code, _ in serious(report)]
    assert ("on-before-power" in codes) is on_before
    expected = None if on_before else round((later - power_on) * 1e6)
    assert report.start_up_ns == expected


@pytest.mark.parametrize(("start_ms", "late"), [(1_000.0, False), (1_000.001, True)])
def test_the_allowed_start_up_time_is_still_in_time(
    unit: Vehicle, start_ms: float, late: bool
) -> None:
    """An error frame of another node is what the capture begins with."""
    report = prove(
        unit,
        [t + start_ms for t in every(100.0, 5_000.0)],
        beat_ms=[t + start_ms for t in beats(5_000.0)],
        error_ms=[0.0],
        power_on_ns=0,
        start_within_ns=10**9,
    )
    assert ("starts-late" in [code for code, _ in serious(report)]) is late


def test_only_wide_values_without_names_are_told_to_stand_still(unit: Vehicle) -> None:
    """Seven bits may well stand still; eight are told; a state with names has its reasons."""
    report = prove(unit, every(100.0))
    told = next(f for f in report.findings if f.code == "signal-still")
    assert told.summary == "Probe: Wide, Word never changed"


def test_all_bits_one_is_a_value_like_any_other_outside_j1939(unit: Vehicle) -> None:
    found = serious(prove(unit, every(100.0), payload=bytes(4) + b"\xff\xff\0\0"))
    assert found == [("signal-out-of-range", Weight.FAULT)]
