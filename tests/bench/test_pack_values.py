"""Cells and temperatures of a monitor on the bench: reading, limits and sensor rules of the pack.

That an open or shorted input reads as an end of the converter's range: common practice, no source.
"""

from dataclasses import replace

import numpy as np
import pytest
from support.bench_nodes import (
    BENCH,
    SECOND,
    UNIT,
    Bench,
    Program,
    serious,
    stated,
    told,
    unsigned,
    wave,
)

from busplan.bench.node_report import NodeVerdict
from busplan.definitions.model import Message
from busplan.plan.vehicle import CellPlace, PackLayout, PackLimits, SensorPlace, SignalAddress

CELLS = Message(
    "Cells",
    0x200,
    False,
    8,
    tuple(unsigned(f"Cell{i}", 16 * (i - 1), 16, scale=0.001, unit="V") for i in (1, 2, 3, 4)),
    (UNIT,),
    cycle=stated(100),
)
WARMTH = Message(
    "Warmth",
    0x201,
    False,
    8,
    tuple(unsigned(f"Sensor{i}", 8 * (i - 1), 8, offset=-40, unit="degC") for i in (1, 2, 3)),
    (UNIT,),
    cycle=stated(500),
)


def layout() -> PackLayout:
    address = SignalAddress(BENCH, UNIT, "", "")
    return PackLayout(
        "invented",
        PackLimits(cell_low_v=3.0, cell_high_v=4.2),
        {"box": ("M1",)},
        tuple(
            CellPlace(i, "M1", address._replace(message="Cells", signal=f"Cell{i}"))
            for i in (1, 2, 3, 4)
        ),
        tuple(
            SensorPlace("M1", i, address._replace(message="Warmth", signal=f"Sensor{i}"))
            for i in (1, 2, 3)
        ),
    )


def monitor(
    volts: dict[str, float] | None = None,
    celsius: dict[str, float] | None = None,
    *,
    planned: bool = True,
    sag: dict[str, float] | None = None,
) -> Bench:
    """A cell monitor whose named values stand where they are told to, or sag by so much."""
    rng = np.random.default_rng(4)

    def cells(k: np.ndarray) -> dict[str, np.ndarray]:
        made = {s.name: np.round(wave(k, 3.70, 3.74, 150), 3) for s in CELLS.signals}
        made = {n: v + 0.001 * rng.integers(0, 2, len(k)) for n, v in made.items()}
        made |= {n: made[n] - by for n, by in (sag or {}).items()}
        return made | {n: np.full(len(k), v) for n, v in (volts or {}).items()}

    def warmth(k: np.ndarray) -> dict[str, np.ndarray]:
        made = {s.name: np.round(wave(k, 20, 26, 60)) for s in WARMTH.signals}
        return made | {n: np.full(len(k), v) for n, v in (celsius or {}).items()}

    programs = [Program(CELLS, 100, cells, 1, 0.5), Program(WARMTH, 500, warmth, 2, 0.5)]
    return Bench(programs, more={"pack": layout()} if planned else {})


def test_a_healthy_monitor_passes() -> None:
    report = monitor().judge()
    assert serious(report) == []
    assert report.verdict is NodeVerdict.PASS


def test_a_cell_at_zero_volts_fails() -> None:
    report = monitor({"Cell2": 0.0}).judge()
    assert report.verdict is NodeVerdict.FAIL
    assert "cell 2 (M1) sits at the end of its range, 0 V" in told(report, "cell-saturated")
    cells = next(m for m in report.messages if m.message.name == "Cells")
    assert cells.verdict is NodeVerdict.FAIL
    wrong = {s.name: s.out_of_range for s in cells.signals if s.out_of_range}
    assert list(wrong) == ["Cell2"]


def test_a_cell_below_the_plans_limit_fails_with_the_limit_told() -> None:
    report = monitor(sag={"Cell4": 0.8}).judge()
    assert report.verdict is NodeVerdict.FAIL
    assert "below 3 V" in told(report, "cell-voltage-low")


def test_a_sensor_at_minus_40_degrees_is_doubtful() -> None:
    report = monitor(celsius={"Sensor3": -40.0}).judge()
    assert report.verdict is NodeVerdict.DOUBTFUL
    assert "-40 °C" in told(report, "sensor-saturated")


@pytest.mark.parametrize(
    ("volts", "celsius"),
    [({"Cell2": 0.0}, {}), ({"Cell1": 65.535}, {}), ({}, {"Sensor2": -40.0})],
)
def test_without_a_plan_the_end_of_the_raw_range_is_told(
    volts: dict[str, float], celsius: dict[str, float]
) -> None:
    report = monitor(volts, celsius, planned=False).judge()
    assert report.verdict is NodeVerdict.DOUBTFUL
    (name,) = {**volts, **celsius}
    assert name in told(report, "signal-at-end")
    assert monitor(planned=False).judge().verdict is NodeVerdict.PASS


def test_four_voltages_that_are_all_zero_may_be_zero() -> None:
    """An open bench without cells: nothing shows that zero is no value they have."""
    zero = {f"Cell{i}": 0.0 for i in (1, 2, 3, 4)}
    assert "signal-at-end" not in serious(monitor(zero, planned=False).judge())


def test_times_of_findings_count_from_the_first_frame_of_the_capture() -> None:
    bench = monitor({"Cell2": 0.0})
    rows = [replace(r, time_ns=r.time_ns + 5 * SECOND) for r in bench.rows()]
    early = replace(rows[0], time_ns=0, identifier=0x7FF)
    report = bench.judge([early, *rows], seconds=26)
    at = next(f.where.time_ns for f in report.findings if f.code == "cell-saturated")
    assert at is not None
    assert 4.9 * SECOND < at < 5.3 * SECOND
