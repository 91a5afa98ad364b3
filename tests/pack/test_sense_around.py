"""Insulation, DC-DC, sum of cells, counted charge and zero of the current.

Truth: closed forms of tests/truth/electrical.py, and packs of tests/truth/cell_packs.py.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.sense import BAD, GOOD, NOT_SHOWN, TIME, flat, sense, thinned
from truth import cell_packs
from truth.as_series import pack_series
from truth.electrical import STATES, Bus, Leak, counted, insulation

from busplan.findings import Weight
from busplan.pack.electrical import check_electrical
from busplan.pack.series import Trace

CELLS = [flat(3.7, 0.001)] * 24
"""24 cells: 100.8 V at their limit of 4.2 V."""


def closed() -> Trace:
    return Trace(TIME, np.full(len(TIME), 2.0), 1.0, choices=STATES)


# Insulation: 100 and 500 ohms per volt (UN R100 5.1.3 as quoted, ISO 6469-3 from memory).


@pytest.mark.parametrize(
    ("kiloohm", "weight"),
    [
        (51.0, None),
        (49.8, Weight.CAUTION),
        (10.2, Weight.CAUTION),
        (9.9, Weight.FAULT),
    ],
)
def test_insulation_is_held_against_the_working_voltage(
    kiloohm: float, weight: Weight | None
) -> None:
    result = sense({"insulation": flat(kiloohm * 1e3)}, cells=CELLS)
    assert [f.weight for f in result.findings] == ([] if weight is None else [weight])
    check = result["insulation"]
    assert check.answer is (GOOD if weight is None else BAD)
    assert kiloohm * 1e3 / 100.8 in check.figures[0].interval


@given(
    st.integers(0, 100_000),
    st.floats(60.0, 20_000.0),
    st.sampled_from([0.0, 5.0, 30.0, 55.0]),
    st.sampled_from([0.0, 47.0, 131.0]),
    st.floats(1.0, 8.0),
)
@settings(max_examples=30)
def test_starts_and_self_tests_are_no_faults(
    seed: int, kiloohm: float, zeros_s: float, every_s: float, test_s: float
) -> None:
    how = Leak(kiloohm, zeros_s=zeros_s, test_every_s=every_s, test_s=test_s)
    result = sense({"insulation": insulation(seed, how)}, cells=CELLS)
    assert result.codes == []
    assert result["insulation"].answer is not BAD


@pytest.mark.parametrize(
    ("how", "codes"),
    [
        (Leak(zeros_s=58.0), []),
        (Leak(zeros_s=64.0), ["insulation-low"]),
        (Leak(falls_at_s=300.0, falls_to=5.0), ["insulation-low"]),
        (Leak(falls_at_s=591.5, falls_to=5.0), []),
        (Leak(kiloohm=800.0, halves_in_s=200.0), ["insulation-falling"]),
        (Leak(kiloohm=800.0, halves_in_s=800.0), []),
        (Leak(kiloohm=9000.0, halves_in_s=200.0), []),
    ],
)
def test_what_lasts_and_what_falls_is_told(how: Leak, codes: list[str]) -> None:
    result = sense({"insulation": insulation(1, how)}, cells=CELLS)
    assert result.codes == codes
    if not codes and how.falls_at_s < 600:
        assert result["insulation"].answer is NOT_SHOWN  # low at the end


def test_a_start_up_that_comes_late_in_the_capture_is_one_all_the_same() -> None:
    ohms = np.where(np.arange(600) < 200, 0.0, 2e6)
    assert sense({"insulation": Trace(TIME + 100.0, ohms, 1e3)}, cells=CELLS).codes == []


@pytest.mark.parametrize(("low_s", "codes"), [(9.5, []), (10.5, ["insulation-low"])])
def test_low_insulation_counts_once_it_lasts(low_s: float, codes: list[str]) -> None:
    ohms = np.where((TIME > 20) & (low_s + 20 >= TIME), 5e3, 1e6)
    assert sense({"insulation": Trace(TIME, ohms, 1e3)}, cells=CELLS).codes == codes


@pytest.mark.parametrize(("share", "codes"), [(0.53, []), (0.47, ["insulation-falling"])])
def test_falling_is_under_a_half_and_so_low_that_it_matters(share: float, codes: list[str]) -> None:
    time = np.arange(0.0, 660.0, 1.0)
    # The means of the first and the last fifth of what comes after a minute.
    fall = share ** np.clip((time - 60 - 60) / 480, 0, None)
    for start, counts in ((500e3, True), (550e3, False)):  # 2500 ohm/V: 252 kilohms
        result = sense({"insulation": Trace(time, start * fall, 1e3)}, cells=CELLS)
        assert result.codes == (codes if counts else [])


@pytest.mark.parametrize(("span_s", "codes"), [(175.0, []), (185.0, ["insulation-falling"])])
def test_a_fall_must_be_seen_for_two_minutes_after_the_start(
    span_s: float, codes: list[str]
) -> None:
    time = np.arange(0.0, span_s, 1.0)
    ohms = 400e3 * 0.2 ** np.clip((time - 60) / 110, 0, 1)
    assert sense({"insulation": Trace(time, ohms, 1e3)}, cells=CELLS).codes == codes


def test_a_monitor_that_told_only_zeros_has_shown_nothing() -> None:
    result = sense({"insulation": insulation(1, Leak(zeros_s=60.0, span_s=45.0))}, cells=CELLS)
    assert result.codes == []
    assert result["insulation"].answer is NOT_SHOWN


def test_values_are_left_out_while_the_monitor_says_that_it_does_not_measure() -> None:
    ohms = Trace(TIME, np.where(TIME < 30, 1e6, 1e3), 1e3)
    names = {0: "Good", 2: "Measuring"}
    state = Trace(TIME, np.where(TIME < 30, 0.0, 2.0), 1.0, choices=names)
    assert sense({"insulation": ohms}, cells=CELLS).codes == ["insulation-low"]
    assert sense({"insulation": ohms, "insulation_state": state}, cells=CELLS).codes == []


# Sum of cells.


@pytest.mark.parametrize(
    ("pack", "codes"),
    [
        (24 * 3.7 + 0.2, []),
        (23 * 3.7, ["cells-do-not-add-up"]),
        # A hundredth apart (common practice, no source).
        (24 * 3.7 * 1.0095, []),
        (24 * 3.7 * 1.0105, ["cells-do-not-add-up"]),
    ],
)
def test_cells_add_up_to_the_pack(pack: float, codes: list[str]) -> None:
    result = sense({"voltage": flat(pack)}, cells=CELLS)
    assert result.codes == codes
    check = result["sum of cells"]
    assert check.answer is (BAD if codes else GOOD)
    assert pack - 24 * 3.7 in check.figures[0].interval


def test_no_difference_has_no_minus() -> None:
    check = sense({"voltage": flat(24 * 3.7 - 0.02)}, cells=CELLS)["sum of cells"]
    assert check.text == "pack voltage +0.0 V from the sum of 24 cells"


def test_a_sum_that_is_right_is_good_only_where_each_cell_is_believed() -> None:
    right, off = ({"voltage": flat(volts)} for volts in (24 * 3.7, 22 * 3.7))
    assert sense(right, cells=CELLS)["sum of cells"].answer is GOOD
    told = sense(right, cells=CELLS, faulty=[("cell", 3)])["sum of cells"]
    assert (told.answer, told.missing) == (NOT_SHOWN, "see to these readings first")
    assert told.text.endswith("V from the sum of 24 cells, 1 of which is not believed")
    assert sense(off, cells=CELLS, faulty=[("cell", 3)])["sum of cells"].answer is BAD


@pytest.mark.parametrize("stops", [False, True])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_delays_in_a_drive_are_no_missing_cell(seed: int, stops: bool) -> None:
    pack = cell_packs.drive(seed, cells=24, minutes=4, stops=stops, pack_delay_s=0.5)
    series, layout = pack_series(pack, boxes=1)
    checks, findings = check_electrical(series, layout)
    assert findings == []
    assert next(c.answer for c in checks if c.name == "sum of cells") is not BAD


def test_one_missing_cell_at_some_time_is_not_added_up() -> None:
    silent = thinned(CELLS[0], TIME < 0)
    result = sense({"voltage": flat(23 * 3.7)}, cells=[silent, *CELLS[1:]])
    assert result.codes == []
    assert result["sum of cells"].answer is NOT_SHOWN


# DC-DC: 12.8 to 15.0 V, twice that in a 24 V system: common practice, no source.

DRIVE = Trace(TIME, np.where(TIME % 20 < 5, 60.0, 0.0), 0.1)


@pytest.mark.parametrize(
    ("volts", "codes"),
    [
        *((volts, []) for volts in (12.9, 13.8, 14.9, 25.7, 27.6, 29.9)),
        *((volts, ["dcdc-off"]) for volts in (0.0, 12.1, 12.7, 25.5)),
        *((volts, ["dcdc-output"]) for volts in (15.1, 15.9, 30.1)),
    ],
)
def test_dcdc_output_lies_in_its_window(volts: float, codes: list[str]) -> None:
    result = sense({"dcdc_output_voltage": flat(volts), "current": DRIVE})
    assert result.codes == codes
    assert result["DC-DC output"].answer is (BAD if codes else GOOD)


@pytest.mark.parametrize(
    ("low_v", "seconds", "codes"),
    [
        (12.0, 2.8, []),
        (12.0, 3.2, ["dcdc-output"]),
        (11.2, 1.0, []),
        (10.8, 0.2, []),
        (10.8, 0.35, ["dcdc-sag"]),
        (10.8, 1.0, ["dcdc-sag"]),
    ],
)
def test_dcdc_low_for_a_while(low_v: float, seconds: float, codes: list[str]) -> None:
    volts = Trace(TIME, np.where((TIME >= 20) & (20 + seconds > TIME), low_v, 13.8), 0.01)
    assert sense({"dcdc_output_voltage": volts, "current": DRIVE}).codes == codes


def test_dcdc_must_be_on_only_where_it_is_known_to() -> None:
    off = flat(12.3)
    assert sense({"dcdc_output_voltage": off}).codes == []
    assert sense({"dcdc_output_voltage": off})["DC-DC output"].answer is NOT_SHOWN
    still = {"dcdc_output_voltage": off, "current": flat(0.5)}
    assert sense(still).codes == []
    told = Trace(TIME, np.ones(len(TIME)), 1.0)
    assert sense(still | {"dcdc_enable": told}).codes == ["dcdc-off"]
    state = Trace(TIME, np.where(TIME < 40, 0.0, 2.0), 1.0, choices=STATES)
    rising = Trace(TIME, np.where(TIME < 42, 12.2, 13.8), 0.01)
    assert (
        sense({"dcdc_output_voltage": rising, "current": DRIVE, "contactor_state": state})[
            "DC-DC output"
        ].answer
        is GOOD
    )


# Counted charge.


@given(st.integers(0, 100_000), st.floats(20.0, 300.0), st.booleans())
@settings(max_examples=15)
def test_counted_charge_holds_and_agrees_with_the_state_of_charge(
    seed: int, mean_a: float, lossy: bool
) -> None:
    bus = Bus(period_s=0.1, delay_s=0.2, lost=0.05 if lossy else 0.0, noise=0.2, step=0.1)
    traces, drawn = counted(seed, mean_a=mean_a, bus=bus)
    traces["voltage"] = Trace(np.arange(0, 1200, 0.5), np.full(2400, 360.0), 0.1)
    for capacity in (100.0, None):
        result = sense(traces, capacity_ah=capacity)
        assert result.codes == []
        assert result["charge and energy"].answer is GOOD
        figures = {f.name: f for f in result["charge and energy"].figures}
        assert drawn * 0.9995 in figures["charge out"].interval or (
            abs(figures["charge out"].value - drawn) < 0.002 * drawn
        )
        assert figures["energy out"].value == pytest.approx(0.36 * drawn, rel=0.002)
        assert result["state of charge"].answer is GOOD
        if capacity is None:
            (told,) = result["state of charge"].figures
            assert 100.0 in told.interval


@pytest.mark.parametrize(
    ("told_ah", "stated", "codes"),
    # 20 Ah of 100: 2 points, a step, a twentieth and an offset of 0.17 points: 3.7 points.
    [
        (100.0, 100.0, []),
        (120.0, 100.0, []),  # 3.3 points
        (126.0, 100.0, ["state-of-charge-off"]),  # 4.1 points
        # Aged to 70 % it moves by 28.6 points, and as much again is allowed.
        (75.0, 100.0, []),
        (63.0, 100.0, []),  # 3.2 points
        (61.0, 100.0, ["state-of-charge-off"]),  # 4.2 points
        (130.0, None, []),
    ],
)
def test_a_state_of_charge_beside_the_count(
    told_ah: float, stated: float | None, codes: list[str]
) -> None:
    traces, _ = counted(1, told_ah=told_ah)
    assert sense(traces, capacity_ah=stated).codes == codes


@pytest.mark.parametrize(
    ("told_ah", "codes"),
    # 40 Ah of 100: 2 points, a step, a twentieth of it and an offset of 0.17 points: 4.67 points.
    [(113.0, []), (114.0, ["state-of-charge-off"])],  # 4.6 and 4.9 points
)
def test_a_twentieth_of_what_was_counted_is_allowed(told_ah: float, codes: list[str]) -> None:
    traces, _ = counted(1, told_ah=told_ah, mean_a=120.0)
    assert sense(traces, capacity_ah=100.0).codes == codes


@pytest.mark.parametrize(("jump", "codes"), [(4.6, []), (5.0, ["state-of-charge-off"])])
def test_a_jump_for_a_while_is_told_without_a_stated_capacity(
    jump: float, codes: list[str]
) -> None:
    # 40 points moved: 2 points, a step and a twentieth of them are 4.5.
    traces, _ = counted(1, mean_a=120.0)
    soc = traces["state_of_charge"]
    leaps = np.where((soc.time_s > 600) & (soc.time_s < 640), jump, 0.0)
    leaping = replace(soc, value=soc.value + leaps)
    assert sense(traces | {"state_of_charge": leaping}).codes == codes


@pytest.mark.parametrize("stated", [100.0, None])
def test_a_state_of_charge_that_goes_the_wrong_way(stated: float | None) -> None:
    traces, _ = counted(1, sign=-1.0)
    result = sense(traces, capacity_ah=stated)
    assert result.codes == ["state-of-charge-off"]
    assert result["state of charge"].answer is BAD


def test_too_little_was_counted_and_how_much_more_would_do() -> None:
    traces, _ = counted(1, span_s=100.0)
    check = sense(traces, capacity_ah=100.0)["state of charge"]
    assert check.answer is NOT_SHOWN
    # What is counted goes on as in these 100 s.
    counted_points = float(check.text.split()[1])
    minutes = (5.0 / counted_points - 1.0) * 100.0 / 60.0
    told = re.fullmatch(r"(\d+) min more at this rate show 5 points", check.missing)
    assert told
    assert int(told[1]) == round(minutes)


def test_what_the_plan_does_not_map_or_the_capture_does_not_carry_is_named_in_number() -> None:
    one, two = sense({})["insulation"], sense({})["link while open"]
    assert one.missing == "map it in [pack.quantities] of the plan and record it"
    assert two.missing == "map them in [pack.quantities] of the plan and record them"
    silent = sense({}, mapped=["insulation", "link_voltage", "voltage"])
    assert silent["insulation"].missing == "record the network that carries it"
    assert silent["link while open"].missing == "record the network that carries them"


def test_hours_more_of_next_to_no_current_are_no_advice() -> None:
    traces, _ = counted(1, span_s=100.0, mean_a=0.5)
    check = sense(traces, capacity_ah=100.0)["state of charge"]
    assert check.answer is NOT_SHOWN
    assert check.missing == "record a drive or a charge"


def test_gaps_are_not_counted() -> None:
    traces, drawn = counted(1)
    current = traces["current"]
    kept = (current.time_s < 300) | (current.time_s > 600)
    traces["current"] = thinned(current, kept)
    traces["voltage"] = Trace(np.arange(0, 1200, 0.5), np.full(2400, 360.0), 0.1)
    result = sense(traces, capacity_ah=100.0)
    assert result["state of charge"].answer is NOT_SHOWN
    check = result["charge and energy"]
    assert check.answer is NOT_SHOWN
    assert check.figures[0].value == pytest.approx(0.75 * drawn, rel=0.01)


# Zero of the current.


@pytest.mark.parametrize(("amps", "codes"), [(0.9, []), (1.2, ["current-offset"]), (-1.2, [BAD])])
def test_the_current_reads_zero_with_the_contactors_open(amps: float, codes: list[str]) -> None:
    rng = np.random.default_rng(1)
    current = Trace(TIME, np.round(amps + 0.1 * rng.standard_normal(len(TIME)), 1), 0.1)
    state = Trace(TIME, np.zeros(len(TIME)), 1.0, choices=STATES)
    result = sense({"current": current, "contactor_state": state})
    assert bool(result.codes) is bool(codes)
    check = result["current at zero"]
    assert check.answer is (BAD if codes else GOOD)
    assert amps in check.figures[0].interval
    # Closed, something may flow; a stated rest says that nothing should.
    assert sense({"current": current, "contactor_state": closed()}).codes == []
    stated = sense({"current": current}, rest=True)
    assert bool(stated.codes) is bool(codes)


# Readings that are wrong as a whole.


@pytest.mark.parametrize(("wrong", "factor"), [("sign", -1.0), ("scale", 1000.0)])
def test_a_wrong_sign_or_scale_is_not_told_again_by_its_effects(wrong: str, factor: float) -> None:
    series, layout = pack_series(cell_packs.drive(3, cells=24, minutes=4), boxes=1)
    right, _ = check_electrical(series, layout)
    current = series.quantities["current"]
    turned = {**series.quantities, "current": replace(current, value=current.value * factor)}
    checks, findings = check_electrical(replace(series, quantities=turned), layout)
    assert findings == []
    assert next(c.answer for c in right if c.name == "charge and energy") is GOOD
    for name in ("charge and energy", "state of charge", "first full cell"):
        check = next(c for c in checks if c.name == name)
        assert check.answer is NOT_SHOWN
        assert wrong in check.text
