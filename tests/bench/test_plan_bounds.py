"""Limits that a plan states for single messages and signals; values planted by hand."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.bench import PLANS
from support.bench_nodes import (
    BENCH,
    LIMITS,
    UNIT,
    Bench,
    Program,
    Row,
    good_unit,
    limit_values,
    serious,
    table_of,
    told,
    with_program,
)

from busplan.bench.node_report import BenchReport, NodeVerdict
from busplan.bench.prove import prove_node
from busplan.plan.bounds import MessageBounds, SignalBounds
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle


def judged(bench: Bench, name: str, rows: list[Row] | None = None, **bounds: object) -> BenchReport:
    """The node judged by a plan that bounds one of its messages."""
    vehicle = bench.vehicle()
    stated = MessageBounds(**bounds)  # type: ignore[arg-type]
    streams = tuple(
        replace(s, bounds=stated) if s.message.name == name else s for s in vehicle.streams
    )
    table = table_of(bench.rows() if rows is None else rows)
    return prove_node(table, replace(vehicle, streams=streams), UNIT, BENCH)


def signal(**bounds: object) -> tuple[tuple[str, SignalBounds], ...]:
    return (("LimitVoltage", SignalBounds(**bounds)),)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("bounds", "code"),
    [
        ({"low": 350, "high": 400, "step": 2.0}, None),
        ({"low": 385}, "signal-beyond-plan"),
        ({"high": 390}, "signal-beyond-plan"),
        ({"step": 0.3}, "signal-step-large"),
        ({"still": False}, None),
    ],
)
def test_a_signal_is_held_to_the_plans_limits(bounds: dict[str, float], code: str | None) -> None:
    """LimitVoltage moves between 380 and 398 V, at most 0.7 V a frame."""
    report = judged(Bench(good_unit()), "UnitLimits", signals=signal(**bounds))
    assert serious(report) == ([] if code is None else [code])
    if code == "signal-beyond-plan" and "low" in bounds:
        assert "leaves the plan's limits 385… V" in told(report, code)


def test_what_has_to_move_and_what_may_stay_still() -> None:
    def fixed(k: np.ndarray) -> dict[str, np.ndarray]:
        return {**limit_values(k), "LimitVoltage": np.full(len(k), 390.0)}

    bench = Bench(with_program(good_unit(), "UnitLimits", values=fixed))
    still = [f.code for f in judged(bench, "UnitLimits").findings]
    assert "signal-still" in still
    allowed = judged(bench, "UnitLimits", signals=signal(still=True))
    assert "signal-still" not in [f.code for f in allowed.findings]
    wanted = judged(bench, "UnitLimits", signals=signal(still=False))
    assert serious(wanted) == ["signal-did-not-move"]
    assert wanted.verdict is NodeVerdict.DOUBTFUL


def test_the_cycle_tolerance_and_the_longest_gap_are_those_of_the_message() -> None:
    slower = Bench([Program(LIMITS, 216, limit_values, 5, 1.0)])
    assert serious(judged(slower, "UnitLimits")) == []
    assert serious(judged(slower, "UnitLimits", cycle_tolerance=0.05)) == ["cycle-time-off"]
    bench = Bench(good_unit())
    holed = [r for r in bench.rows() if r.identifier != 0x121 or not 8e9 < r.time_ns < 8.75e9]
    assert serious(judged(bench, "UnitLimits", holed)) == ["gap-too-long"]
    patient = judged(bench, "UnitLimits", holed, gap_ns=1_000_000_000)
    assert serious(patient) == []


def test_a_plan_states_them(tmp_path: Path) -> None:
    shutil.copytree(PLANS, tmp_path, dirs_exist_ok=True)
    plan = tmp_path / "as_built.toml"
    text = plan.read_text("utf-8")
    text += """
[message."charge/charger/ChargerOutput"]
cycle_tolerance = 0.02
longest_gap_ms = 500
[message."charge/charger/ChargerOutput".limits]
ChargerVoltage = { low = 300, high = 420, step = 5, still = true }
"""
    plan.write_text(text, encoding="utf-8")
    vehicle: Vehicle = load_plan(plan)
    bounds = next(s.bounds for s in vehicle.streams if s.message.name == "ChargerOutput")
    assert bounds == MessageBounds(
        0.02, 500_000_000, (("ChargerVoltage", SignalBounds(300, 420, 5, True)),)
    )
