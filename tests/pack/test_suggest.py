"""The proposed [pack] section, and signals that a layout leaves out."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from busplan.definitions.dbc import load_dbc
from busplan.definitions.model import Message, Signal
from busplan.pack.families import kind_of_signal, template_of
from busplan.pack.layout import layout_findings
from busplan.pack.suggest import suggest_for_messages, suggest_for_vehicle
from busplan.plan.reader import load_plan

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"


def test_the_proposal_for_the_demo_gives_the_demos_own_layout(tmp_path: Path) -> None:
    vehicle = load_plan(EXAMPLES / "as_built.toml")
    found = suggest_for_vehicle(vehicle)
    assert (found.cells, found.sensors) == (96, 24)
    text = (EXAMPLES / "as_built.toml").read_text(encoding="utf-8")
    own = text.index("[pack]\n")
    after = text[own:].find("\n[message")
    rest = "" if after < 0 else text[own + after :]
    for file in EXAMPLES.glob("*.dbc"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    (tmp_path / "plan.toml").write_text(text[:own] + found.text + rest, encoding="utf-8")
    again = load_plan(tmp_path / "plan.toml").pack
    assert again is not None
    assert vehicle.pack is not None
    assert again.cells == vehicle.pack.cells
    assert again.sensors == vehicle.pack.sensors
    names = ("current", "voltage", "link_voltage", "contactor_state", "insulation")
    # The loop's temperatures also travel as the gateway's copies.
    for name in (*names, "inlet_temperature", "outlet_temperature"):
        assert again.quantities[name] == vehicle.pack.quantities[name]
    assert again.quantities["charger_current_request"].signal == "ChargeCurrentRequest"
    single = {
        "plus_contactor": "PlusContactor",
        "minus_contactor": "MinusContactor",
        "pre_charge_contactor": "PreChargeContactor",
        "plus_command": "PlusCommand",
        "minus_command": "MinusCommand",
        "pre_charge_command": "PreChargeCommand",
        "charger_voltage": "ChargerVoltage",
        "charger_voltage_request": "ChargeVoltageRequest",
        "charger_enable": "ChargeEnable",
        "dcdc_enable": "DcdcEnable",
        "insulation_state": "InsulationState",
    }
    assert {name: again.quantities[name].signal for name in single} == single
    assert again.temperature_resolution_k == 0.5
    assert max(map(len, found.text.splitlines())) <= 80


def test_one_definition_file_is_enough_for_a_proposal() -> None:
    found = suggest_for_messages(load_dbc(EXAMPLES / "monitor.dbc").messages)
    table = tomllib.loads(found.text)["pack"]
    (box,) = table["enclosure"]
    assert box["cells"] == "CellVoltage{n:02}"
    assert box["modules"] == ["A1", "A2", "A3"]
    assert (box["cells_per_module"], box["sensors_per_module"]) == (8, 2)


def message(*signals: Signal, name: str = "Cells") -> Message:
    return Message(name, 0x100, False, 8, signals, senders=("BMS",))


def volts(name: str) -> Signal:
    return Signal(name, 0, 16, scale=0.001, unit="V", maximum=5)


def test_two_numbers_in_a_name_are_module_and_cell() -> None:
    names = [f"M{m}_C{c}_U" for m in (1, 2, 3) for c in (1, 2, 3, 4)]
    found = suggest_for_messages([message(*map(volts, reversed(names)))])
    (box,) = tomllib.loads(found.text)["pack"]["enclosure"]
    assert box["cells"] == names
    assert (len(box["modules"]), box["cells_per_module"]) == (3, 4)


PACK_VOLTS = Signal("", 0, 16, scale=0.1, unit="V")
PACK_AMPS = Signal("", 0, 16, scale=0.1, unit="A", signed=True)


@pytest.mark.parametrize(
    ("current", "voltage"),
    [
        ("Ibat", "Ubat"),
        ("I_Batt", "U_Batt"),
        ("BMS_Ipack", "BMS_Vpack"),
        ("PackI", "PackV"),
        ("HV_I_act", "HV_U_act"),
        ("PackCurr", "PackVolt"),
    ],
)
def test_common_abbreviations_are_found(current: str, voltage: str) -> None:
    # Letters of quantities by ISO 80000-6 (I, U, V); "bat", "pack": common practice, no source.
    cells = [volts(f"Cell{n}") for n in range(1, 97)]
    pair = [replace(PACK_AMPS, name=current), replace(PACK_VOLTS, name=voltage)]
    found = suggest_for_messages([message(*cells, *pair)])
    told = tomllib.loads(found.text)["pack"]["quantities"]
    assert (told["current"], told["voltage"]) == (f"bms/Cells/{current}", f"bms/Cells/{voltage}")


@pytest.mark.parametrize(
    "signal",
    [
        replace(PACK_VOLTS, name="Ubat", length=8),  # 25.5 V at most: not 96 cells in a row
        replace(PACK_VOLTS, name="Ubat", unit=""),
        replace(PACK_VOLTS, name="UbatMax"),
        replace(PACK_VOLTS, name="Combat"),
        replace(PACK_AMPS, name="IbatLimit"),
    ],
)
def test_what_only_looks_like_an_abbreviation_is_not_taken(signal: Signal) -> None:
    cells = [volts(f"Cell{n}") for n in range(1, 97)]
    text = suggest_for_messages([message(*cells, signal)]).text
    assert "quantities" not in tomllib.loads(text)["pack"]


def test_one_cell_a_frame_is_explained_not_guessed() -> None:
    found = suggest_for_messages(
        [message(Signal("CellIndex", 0, 8), volts("CellVoltage"), name="CellData")]
    )
    assert found.cells == 0
    assert "CellData seems to carry one cell a frame" in found.text
    tomllib.loads(found.text)


@pytest.mark.parametrize(
    ("signal", "kind"),
    [
        (Signal("Cell_01_V", 0, 16, scale=0.001, unit="V"), "cell"),
        (Signal("Cell1", 0, 8, scale=0.02, unit="V"), "cell"),
        (Signal("U7", 0, 16, scale=0.1, unit="mV"), "cell"),
        (Signal("CellVoltageMax", 0, 16, scale=0.001, unit="V", maximum=5), None),
        (Signal("PackVoltage1", 0, 16, scale=0.1, unit="V"), None),
        (Signal("Temp3", 0, 8, offset=-40, unit="degC"), "sensor"),
        (Signal("Speed1", 0, 8, unit="rpm"), None),
    ],
)
def test_kinds_by_unit_step_and_range(signal: Signal, kind: str | None) -> None:
    assert kind_of_signal(signal) == kind


def test_templates_take_numbers_out() -> None:
    assert template_of("M12_C03") == ("M{}_C{}", (12, 3))


def test_a_layout_that_leaves_cells_out_is_told() -> None:
    vehicle = load_plan(EXAMPLES / "as_built.toml")
    assert layout_findings(vehicle) == []
    assert vehicle.pack is not None
    fewer = replace(vehicle.pack, cells=vehicle.pack.cells[:-2])
    (finding,) = layout_findings(replace(vehicle, pack=fewer))
    assert finding.code == "pack-cell-unmapped"
    assert "CellVoltage23, CellVoltage24" in finding.summary
    holed = replace(vehicle.pack, cells=(*vehicle.pack.cells[:5], *vehicle.pack.cells[6:]))
    codes = {f.code for f in layout_findings(replace(vehicle, pack=holed))}
    assert codes == {"pack-cell-unmapped", "pack-cell-number-missing"}
