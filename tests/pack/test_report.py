"""The whole judgement over made packs: culprits named once, nothing on healthy ones."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from support.packs import cell_voltages, drive_current, layout, module_temperatures, series

from busplan.answers import Answer
from busplan.findings import Weight
from busplan.pack.kinds import PackTest, kind_of
from busplan.pack.report import PackReport, evaluate_pack
from busplan.pack.sections import sections
from busplan.pack.series import PackSeries, Trace
from busplan.pack.tables import cell_rows, module_rows, report_dict
from busplan.pack.whole import headline

LAYOUT = layout(12, quantities=("current", "inlet_temperature"))
RNG = np.random.default_rng(6)
SCATTER = 1 + 0.03 * np.clip(RNG.normal(size=12), -2, 2)


def warm_up(*, ill: bool, minutes: float = 20.0) -> PackReport:
    flows = SCATTER.copy()
    if ill:
        flows[7] = 0.4
    time, liquid, values = module_temperatures(minutes, flows, noise=0.04)
    if ill:
        values[:, 19] = 14.0
    cells = np.arange(0.0, minutes * 60.0, 1.0)
    amps = np.full(len(cells), 15.0)
    volts = cell_voltages(cells, amps, np.full(96, 0.45e-3))
    made = series(
        cell_time=cells,
        voltages=volts,
        sensor_time=time,
        temperatures=values,
        current=Trace(cells, amps),
        inlet_temperature=Trace(time, liquid),
    )
    return evaluate_pack(made, LAYOUT)


def drive(*, ill: bool) -> PackReport:
    time, amps = drive_current(10.0)
    ohm = 0.45e-3 * (1 + 0.015 * np.clip(RNG.normal(size=96), -2, 2))
    if ill:
        ohm[52] = 0.45e-3 + 0.06 / 380
    charge = 0.72 + 0.0015 * np.clip(RNG.normal(size=96), -2, 2)
    volts = cell_voltages(time, amps, ohm, charge=charge, pair_ohm=0.25e-3)
    if ill:
        volts[3000:3030, 24:48] = np.nan
    warmth, _, values = module_temperatures(10, np.ones(12), liquid_rise=4.0)
    return evaluate_pack(
        series(
            cell_time=time,
            voltages=volts,
            sensor_time=warmth,
            temperatures=values,
            current=Trace(time, amps, 0.1),
        ),
        LAYOUT,
    )


def codes(report: PackReport) -> list[tuple[str, str | None]]:
    return [(f.code, f.where.signal or f.where.node) for f in report.findings]


def test_the_warm_up_names_the_slow_module_and_the_stuck_sensor_and_nothing_else() -> None:
    report = warm_up(ill=True)
    assert report.test is PackTest.WARM_UP
    assert codes(report) == [
        ("module-slow", "TemperatureC21"),
        ("sensor-stuck", "TemperatureD12"),
    ]
    rows = {r.module: r for r in module_rows(report)}
    assert rows["C2"].verdict == "slow"
    assert rows["D1"].verdict == "with the others"
    assert headline(report) == "Not all right: 2 cautions."
    assert report.warm_up is not None
    assert "; 11 of 12 with the others (over " in report.warm_up.told
    assert "pump" not in report.warm_up.told


def test_a_good_warm_up_says_of_what_it_is_so_much_and_what_it_cannot_show() -> None:
    report = warm_up(ill=False)
    assert report.findings == ()
    assert report.warm_up is not None
    assert re.fullmatch(
        r"12 of 12 with the others \(exchange over \d\d %\), \S+ to \S+; "
        r"what all share, such as a weak pump, shows in none",
        report.warm_up.told,
    )


def test_the_drive_names_the_cell_and_the_silent_monitor_and_nothing_else() -> None:
    report = drive(ill=True)
    assert report.test is PackTest.DRIVE
    assert codes(report) == [
        ("cell-resistance-high", "CellVoltage53"),
        ("monitor-silent", "monitor_b"),
    ]
    row = cell_rows(report)[52]
    assert row.resistance_mohm == pytest.approx(0.608, rel=0.05)
    assert row.extra_sag_mv == pytest.approx(60.0, rel=0.1)
    assert row.resistance_low_mohm < 0.608 < row.resistance_high_mohm
    assert row.against_peers_low < row.against_peers < row.against_peers_high
    value = report_dict(report)
    assert value["resistance"]["missing"] == ""
    assert sum(d["cells"] for d in value["delays"]) == 96


def test_healthy_packs_give_no_finding_at_all() -> None:
    for report in (warm_up(ill=False), drive(ill=False)):
        assert report.findings == ()
        assert {s.answer for s in sections(report)} == {Answer.GOOD}
        assert headline(report).startswith("All right")


def test_a_short_test_is_a_note_that_says_what_is_missing() -> None:
    report = warm_up(ill=False, minutes=1.2)
    asked = evaluate_short()
    assert report.weight is Weight.NOTE
    assert headline(asked).startswith("Nothing bad seen, but not all was shown. Not shown: ")
    (finding,) = asked.findings
    assert finding.code == "test-too-short"
    assert "min more" in finding.summary


def evaluate_short() -> PackReport:
    time, liquid, values = module_temperatures(1.5, SCATTER, noise=0.04)
    made = series(sensor_time=time, temperatures=values, inlet_temperature=Trace(time, liquid))
    return evaluate_pack(made, layout(12, cells=0), test=PackTest.WARM_UP, span_s=(0.0, 90.0))


def test_plain_values_survive_json_without_nan_and_carry_the_cautions() -> None:
    for report in (warm_up(ill=True), drive(ill=True), evaluate_short()):
        text = json.dumps(report_dict(report), allow_nan=False)
        value = json.loads(text)
        assert "High voltage can kill" in value["cautions"][0]
        assert len(value["modules"]) == 12
        assert value["verdict"] == headline(report)


def test_drift_since_an_older_capture_is_a_finding() -> None:
    before = drive(ill=False)
    time, amps = drive_current(10.0)
    charge = np.full(96, 0.72)
    charge[30] -= 0.03
    volts = cell_voltages(time, amps, np.full(96, 0.45e-3), charge=charge)
    made = series(cell_time=time, voltages=volts, current=Trace(time, amps))
    after = evaluate_pack(made, layout(12, sensors=0), before=before)
    assert ("cell-drift", "CellVoltage31") in codes(after)


@pytest.mark.parametrize(
    ("amps", "test"),
    [(10.0, "drive"), (0.0, "rest"), (1.5, "rest"), (-1.5, "rest"), (-10.0, "charge")],
)
def test_a_steady_load_is_no_rest(amps: float, test: str) -> None:
    time = np.arange(0.0, 60.0, 0.1)
    current = Trace(time, np.full(len(time), amps), 0.1)
    assert kind_of(PackSeries((), (), {"current": current}, 60.0)) == test


def test_a_state_of_charge_that_is_off_is_no_condition_of_a_resistance() -> None:
    time, amps = drive_current(10.0)
    volts = cell_voltages(time, amps, np.full(96, 0.45e-3), charge=0.72)
    mapped = ("current", "state_of_charge")
    plan = replace(layout(12, sensors=0, quantities=mapped), capacity_ah=120.0)
    for told, words in ((np.zeros(len(time)), False), (60.0 - np.cumsum(amps) / 43_200.0, True)):
        made = series(
            cell_time=time,
            voltages=volts,
            current=Trace(time, amps, 0.1),
            state_of_charge=Trace(time, told, 0.5),
        )
        report = evaluate_pack(made, plan)
        assert ("state-of-charge-off" in {f.code for f in report.findings}) is not words
        text = next(s for s in sections(report) if s.name == "resistance").text
        assert ("% charge" in text) is words


def test_a_section_with_a_bad_answer_for_one_is_not_good() -> None:
    """Module C2 of the warm-up lags far behind: named once, and called even by nothing else."""
    for report in (warm_up(ill=True), drive(ill=True), warm_up(ill=False), drive(ill=False)):
        for section in sections(report):
            if Answer.BAD in (*section.cells, *section.modules):
                assert section.answer is Answer.BAD, section.name
    even = next(s for s in sections(warm_up(ill=True)) if s.name == "evenness of modules")
    assert even.answer is Answer.BAD
    assert "C2 stands out" in even.text
