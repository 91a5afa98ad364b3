"""Sense checks around the pack, each with a good and a bad case."""

from __future__ import annotations

import numpy as np
import pytest
from support.packs import Array, layout, series

from busplan.findings import Weight
from busplan.pack.electrical import CheckState, check_electrical
from busplan.pack.series import PackSeries, Trace

TIME = np.arange(0.0, 60.0, 0.1)
STATES = {0: "Open", 1: "Pre-charge", 2: "Closed", 3: "Opening", 4: "Fault"}


def flat(value: float) -> Trace:
    return Trace(TIME, np.full(len(TIME), value))


def judge(**quantities: Trace) -> dict[str, tuple[CheckState, list[str]]]:
    made = series(cell_time=TIME, voltages=np.full((len(TIME), 24), 3.7), **quantities)
    return outcome(made, tuple(quantities))


def outcome(made: PackSeries, names: tuple[str, ...]) -> dict[str, tuple[CheckState, list[str]]]:
    checks, findings = check_electrical(made, layout(3, quantities=names))
    codes = [f.code for f in findings]
    return {c.name: (c.state, codes) for c in checks}


def test_nothing_mapped_is_nothing_judged() -> None:
    assert {state for state, _ in judge().values()} == {CheckState.NOT_COVERED}


@pytest.mark.parametrize(
    ("pack", "state", "codes"),
    [
        (24 * 3.7 + 0.2, CheckState.GOOD, []),
        (23 * 3.7, CheckState.BAD, ["cells-do-not-add-up"]),
        # A hundredth apart (common practice, no source).
        (24 * 3.7 * 1.0095, CheckState.GOOD, []),
        (24 * 3.7 * 1.0105, CheckState.BAD, ["cells-do-not-add-up"]),
    ],
)
def test_cells_add_up_to_the_pack(pack: float, state: CheckState, codes: list[str]) -> None:
    assert judge(voltage=flat(pack))["sum of cells"] == (state, codes)


def test_a_load_change_between_two_measurements_is_no_missing_cell() -> None:
    amps = np.where(TIME % 10 < 5, 0.0, 300.0)
    volts = 3.7 - 0.001 * amps[:, None] + np.zeros((1, 24))
    late = np.roll(volts.sum(axis=1), 3)
    made = series(
        cell_time=TIME, voltages=volts, voltage=Trace(TIME, late), current=Trace(TIME, amps)
    )
    state, codes = outcome(made, ("voltage", "current"))["sum of cells"]
    assert (state, codes) == (CheckState.GOOD, [])


@pytest.mark.parametrize(
    ("ohms", "state", "weight"),
    [
        # 24 cells at 4.2 V: 100.8 V. Bounds 100 and 500 Ω/V (ISO 6469-3, from memory).
        (51_000.0, CheckState.GOOD, None),
        (49_000.0, CheckState.BAD, Weight.CAUTION),
        (9_900.0, CheckState.BAD, Weight.FAULT),
    ],
)
def test_insulation_is_held_against_the_working_voltage(
    ohms: float, state: CheckState, weight: Weight | None
) -> None:
    made = series(cell_time=TIME, voltages=np.full((len(TIME), 24), 3.7), insulation=flat(ohms))
    checks, findings = check_electrical(made, layout(3, quantities=("insulation",)))
    assert next(c.state for c in checks if c.name == "insulation") is state
    assert [f.weight for f in findings] == ([] if weight is None else [weight])


def sequence(*phases: tuple[float, int]) -> Trace:
    value = np.zeros(len(TIME))
    for start, raw in phases:
        value[start <= TIME] = raw
    return Trace(TIME, value, choices=STATES)


def link(time_constant: float) -> Array:
    return np.where(TIME < 4, 0.0, 88.8 * (1 - np.exp(-(TIME - 4).clip(0) / time_constant)))


@pytest.mark.parametrize(
    ("state", "constant", "codes"),
    [
        (sequence((4, 1), (7, 2)), 0.55, []),
        (sequence((4, 1), (7, 2)), 3.0, ["pre-charge-incomplete"]),
        # After 2.9 s 1 − e^(−2.9/1.25) = 90.2 % and 1 − e^(−2.9/1.35) = 88.3 % are reached.
        (sequence((4, 1), (7, 2)), 1.25, []),
        (sequence((4, 1), (7, 2)), 1.35, ["pre-charge-incomplete"]),
        (sequence((7, 2)), 0.55, ["contactor-order"]),
        (sequence((4, 1), (7, 2), (30, 4)), 0.55, ["contactor-fault"]),
    ],
)
def test_contactors_close_in_order_onto_a_charged_link(
    state: Trace, constant: float, codes: list[str]
) -> None:
    result = judge(
        contactor_state=state,
        link_voltage=Trace(TIME, link(constant)),
        voltage=flat(88.8),
        current=flat(0.0),
    )
    answer = CheckState.BAD if codes else CheckState.GOOD
    assert result["pre-charge and contactors"] == (answer, codes)


@pytest.mark.parametrize(
    ("amps", "codes"),
    # 20 A either way: common practice, no source.
    [(20.0, []), (21.0, ["contactor-opened-loaded"]), (-21.0, ["contactor-opened-loaded"])],
)
def test_opening_under_load_is_told(amps: float, codes: list[str]) -> None:
    state = sequence((4, 1), (7, 2), (30, 3), (31, 0))
    result = judge(
        contactor_state=state,
        link_voltage=Trace(TIME, link(0.5)),
        voltage=flat(88.8),
        current=flat(amps),
    )
    assert result["pre-charge and contactors"][1] == codes


@pytest.mark.parametrize(
    ("volts", "codes"),
    # 12.8 to 15.0 V, twice that in a 24 V system: common practice, no source.
    [
        *((volts, []) for volts in (12.9, 13.8, 14.9, 25.7, 27.6, 29.9)),
        *((volts, ["dcdc-output"]) for volts in (12.1, 12.7, 15.1, 15.9, 25.5, 30.1)),
    ],
)
def test_dcdc_output_lies_in_its_window(volts: float, codes: list[str]) -> None:
    assert judge(dcdc_output_voltage=flat(volts))["DC-DC output"][1] == codes


def test_a_charger_may_give_less_but_not_more_than_asked() -> None:
    over = ["charger-over-request"]
    for asked, given, codes in (
        (20.0, 19.5, []),
        (20.0, 10.0, []),
        (20.0, 24.0, over),
        # A twentieth of the request, and one ampere at least (common practice, no source).
        (100.0, 104.9, []),
        (100.0, 105.1, over),
        (10.0, 10.9, []),
        (10.0, 11.1, over),
    ):
        result = judge(charger_current=flat(given), charger_current_request=flat(asked))
        assert result["charger current"][1] == codes
