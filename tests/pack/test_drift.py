"""Drift with both uncertainties, and the baseline that is kept for it.

Figures are drawn from normal distributions of stated scatter; thresholds are common practice, no
source.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.packs import layout
from truth import cell_packs
from truth.as_series import pack_series

from busplan.answers import Answer
from busplan.cli.baseline_file import read_baseline, write_baseline
from busplan.errors import UsageError
from busplan.pack.drift import LEAST, Baseline, Kept, Topic, drifts
from busplan.pack.drift_told import drift_findings
from busplan.pack.report import evaluate_pack

LAYOUT = layout(3)
CELLS = tuple(f"{c.module}/{c.number}" for c in LAYOUT.cells)
STEPS = (0.001, 0.5)


def kept(
    topic: Topic, error: float, seed: int = 1, *, moved: dict[int, float] | None = None
) -> Baseline:
    rng = np.random.default_rng(seed)
    count = len(CELLS) if topic.of_cells else len(LAYOUT.modules)
    value = 1.0 + error * rng.normal(size=count)
    for index, change in (moved or {}).items():
        value[index] += change
    return Baseline(CELLS, LAYOUT.modules, {topic: Kept(value, np.full(count, error), "as is")})


@pytest.mark.parametrize(
    ("topic", "error", "code", "unit"),
    [
        (Topic.VOLTAGE, 0.0005, "cell-drift", "mV"),
        (Topic.RESISTANCE, 0.0035, "cell-drift", "%"),
        (Topic.CAPACITY, 0.002, "cell-drift", "%"),
        (Topic.BALANCE, 0.001, "cell-drift", "%"),
        (Topic.SELF_DISCHARGE, 0.02, "cell-drift", "mV/h"),
    ],
)
def test_a_change_counts_beyond_chance_and_by_what_matters(
    topic: Topic, error: float, code: str, unit: str
) -> None:
    least = LEAST.get(topic, 0.25 * LAYOUT.limits.voltage_spread_v)
    for factor, found in ((0.0, []), (0.7, []), (1.4, [7]), (-1.4, [7])):
        now = kept(topic, error, 2, moved={7: factor * least})
        (drift,) = drifts(kept(topic, error), now, LAYOUT, STEPS)
        assert drift.least == pytest.approx(least)
        assert drift.drifted.tolist() == found
        told = drift_findings([drift], LAYOUT)
        assert [f.code for f in told] == [code] * len(found)
        if found:
            assert drift.answers[7] is Answer.BAD
            assert f" {unit}" in told[0].summary
            assert factor * least in drift.intervals[7]
    assert drift.uncertainty == pytest.approx(np.full(24, error * 2**0.5))


def test_a_great_change_of_an_uncertain_figure_is_not_shown_rather_than_drift() -> None:
    sure, vague = 0.002, 0.02
    before = kept(Topic.CAPACITY, sure)
    value = before.topics[Topic.CAPACITY].value.copy()
    value[7] -= 0.05
    error = np.full(24, sure)
    error[7] = vague
    now = Baseline(CELLS, LAYOUT.modules, {Topic.CAPACITY: Kept(value, error)})
    (drift,) = drifts(before, now, LAYOUT, STEPS)
    assert drift.drifted.tolist() == []
    assert drift.answers[7] is Answer.NOT_SHOWN
    assert drift.answers[6] is Answer.GOOD
    value[5] = np.nan
    (drift,) = drifts(before, now, LAYOUT, STEPS)
    assert drift.answers[5] is Answer.NOT_SHOWN


def test_intervals_of_changes_hold() -> None:
    held = []
    for seed in range(40):
        (drift,) = drifts(
            kept(Topic.CAPACITY, 0.003, seed),
            kept(Topic.CAPACITY, 0.001, seed + 100),
            LAYOUT,
            STEPS,
        )
        held += [0.0 in i for i in drift.intervals]
    assert 0.93 < np.mean(held) < 0.97


def test_one_finding_names_all_that_moved_of_a_cell() -> None:
    both = [
        drifts(kept(t, 0.001), kept(t, 0.001, moved={3: 0.2}), LAYOUT, STEPS)[0]
        for t in (Topic.RESISTANCE, Topic.CAPACITY)
    ]
    (finding,) = drift_findings(both, LAYOUT)
    assert finding.where.signal == "CellVoltage4"
    assert "resistance at 1 s +" in finding.summary
    assert "capacity +" in finding.summary


numbers = st.one_of(st.just(float("nan")), st.floats(-1e6, 1e6))


@given(
    st.lists(numbers, min_size=24, max_size=24),
    st.lists(st.floats(0, 10), min_size=24, max_size=24),
)
def test_a_baseline_survives_json(values: list[float], errors: list[float]) -> None:
    made = Baseline(
        CELLS, LAYOUT.modules, {Topic.CAPACITY: Kept(np.array(values), np.array(errors), "60 %")}
    )
    read = Baseline.from_dict(json.loads(json.dumps(made.as_dict(), allow_nan=False)))
    assert (read.cells, read.modules) == (made.cells, made.modules)
    old, new = made.topics[Topic.CAPACITY], read.topics[Topic.CAPACITY]
    assert np.array_equal(old.value, new.value, equal_nan=True)
    assert np.array_equal(old.uncertainty, new.uncertainty)
    assert new.conditions == "60 %"


def broken(**change: Any) -> Any:
    return kept(Topic.CAPACITY, 0.001).as_dict() | change


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ([], "not a baseline"),
        ({"format": "other"}, "not a baseline"),
        (broken(version=99), "version 99"),
        (broken(cells="A1"), '"cells"'),
        (broken(modules=[1]), '"modules"'),
        (broken(figures=[]), '"figures"'),
        (broken(figures={"colour": {}}), "'colour'"),
        (broken(figures={"capacity": {"value": [1.0], "uncertainty": [0.1]}}), "list of 24"),
        (broken(figures={"capacity": {"value": [True] * 24, "uncertainty": []}}), "list of 24"),
        (broken(figures={"capacity": {"value": [1.0] * 24, "uncertainty": [-1] * 24}}), "below 0"),
    ],
)
def test_a_broken_baseline_is_one_clear_error(data: Any, words: str, tmp_path: Path) -> None:
    path = tmp_path / "kept.json"
    path.write_text(json.dumps(data))
    with pytest.raises(UsageError, match=words):
        read_baseline(path)


@pytest.mark.parametrize("content", [b"{", b"\xff\xfe", b"[" * 100_000])
def test_a_file_that_is_no_json_is_one_clear_error(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "kept.json"
    path.write_bytes(content)
    with pytest.raises(UsageError, match=r"kept\.json"):
        read_baseline(path)
    with pytest.raises(UsageError, match="cannot read"):
        read_baseline(tmp_path / "none.json")


def test_the_baseline_of_another_pack_is_refused() -> None:
    other = Baseline(CELLS[:-1], LAYOUT.modules)
    with pytest.raises(UsageError, match="another pack"):
        drifts(other, kept(Topic.CAPACITY, 0.001), LAYOUT, STEPS)


def test_a_charge_keeps_its_figures_and_a_later_one_tells_what_moved(tmp_path: Path) -> None:
    first, plan = pack_series(cell_packs.charging(8))
    older = evaluate_pack(first, plan)
    write_baseline(older.baseline, tmp_path / "kept.json")
    read = read_baseline(tmp_path / "kept.json")
    assert {Topic.CAPACITY, Topic.BALANCE, Topic.VOLTAGE} <= set(read.topics)
    later = evaluate_pack(pack_series(cell_packs.charging(8, weak={5: 0.94}))[0], plan, before=read)
    assert later.drift is not None
    capacity = next(d for d in later.drift if d.topic is Topic.CAPACITY)
    assert capacity.drifted.tolist() == [5]
    assert -0.06 * first_of(older, 5) in capacity.intervals[5]
    assert [f.where.signal for f in later.findings if f.code == "cell-drift"] == ["V6"]
    same = evaluate_pack(first, plan, before=older)
    assert same.drift is not None
    assert not any(len(d.drifted) for d in same.drift)


def test_a_drive_keeps_resistances_at_both_scales_and_a_later_one_tells_which_rose() -> None:
    first, plan = pack_series(cell_packs.drive(9, cells=24, minutes=9.0, current_hz=20.0))
    older = evaluate_pack(first, plan)
    assert {Topic.RESISTANCE, Topic.RESISTANCE_LATE} <= set(older.baseline.topics)
    worse = cell_packs.drive(
        9, cells=24, minutes=9.0, current_hz=20.0, raised={4: 1.25}, joint_ohm=1e-3
    )
    later = evaluate_pack(pack_series(worse)[0], plan, before=older)
    assert later.drift is not None
    at = {d.topic: d for d in later.drift}
    for topic in (Topic.RESISTANCE, Topic.RESISTANCE_LATE):
        assert at[topic].drifted.tolist() == [4]
        told = older.baseline.topics[topic].value[4]
        assert at[topic].change[4] == pytest.approx(0.25 * told, abs=0.02)
    assert 1.0 in at[Topic.JOINTS].intervals[0]
    assert "joint-drift" in [f.code for f in later.findings]


@pytest.mark.parametrize(
    ("milliohm", "codes"),
    # 0.3 mΩ matter (common practice, no source); each is known to some 0.13 mΩ.
    [(1.0, []), (1.2, []), (1.7, ["joint-drift"]), (0.3, ["joint-drift"])],
)
def test_the_resistance_outside_the_taps_is_held_against_the_capture_before(
    milliohm: float, codes: list[str]
) -> None:
    def told(value: float, error: float = 0.065) -> Baseline:
        kept_ = Kept(np.array([value]), np.array([error]))
        return Baseline(CELLS, LAYOUT.modules, {Topic.JOINTS: kept_})

    plan = layout(3, quantities=["voltage"])
    (drift,) = drifts(told(1.0), told(milliohm), plan, STEPS)
    assert [f.code for f in drift_findings([drift], plan)] == codes
    assert milliohm - 1.0 in drift.intervals[0]
    assert drift.answers[0] is (Answer.BAD if codes else drift.answers[0])
    assert drift.answers[0] is not Answer.GOOD or abs(milliohm - 1.0) < 0.2
    # What is known far better counts by what matters alone.
    for change, counts in ((0.28, False), (0.32, True), (-0.32, True)):
        (drift,) = drifts(told(1.0, 0.01), told(1.0 + change, 0.01), plan, STEPS)
        assert bool(len(drift.drifted)) is counts
    # Known to half a milliohm only, nothing is said either way.
    (vague,) = drifts(told(1.0, 0.25), told(milliohm, 0.25), plan, STEPS)
    assert vague.answers == (Answer.NOT_SHOWN,)
    assert drift_findings([vague], plan) == []
    assert Baseline.from_dict(told(milliohm).as_dict()).topics[Topic.JOINTS].value == milliohm


def first_of(report: Any, cell: int) -> float:
    return float(report.baseline.topics[Topic.CAPACITY].value[cell])
