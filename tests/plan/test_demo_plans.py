"""The two plans of the invented demo van load as scenario and definitions say."""

from pathlib import Path

import pytest

from busplan.plan.reader import load_plan
from busplan.plan.vehicle import SignalAddress, Vehicle

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"


@pytest.fixture(scope="module", params=["as_bought", "as_built"])
def vehicle(request: pytest.FixtureRequest) -> Vehicle:
    return load_plan(EXAMPLES / f"{request.param}.toml")


def test_the_pack_has_96_cells_and_24_sensors_in_string_order(vehicle: Vehicle) -> None:
    assert vehicle.pack is not None
    assert [c.number for c in vehicle.pack.cells] == list(range(1, 97))
    assert len(vehicle.pack.sensors) == 24
    cell = vehicle.pack.cells[52]
    assert cell.module == "C1"
    assert cell.address == SignalAddress("pack", "monitor_c", "CellVoltages2", "CellVoltage05")
    assert vehicle.pack.sensors[3].module == "A2"
    assert vehicle.pack.sensors[3].position == 2


def test_monitors_send_at_their_offsets(vehicle: Vehicle) -> None:
    first = {
        s.node: s.message.identifier
        for s in vehicle.on("pack")
        if s.message.name == "CellVoltages1"
    }
    base = first["monitor_a"]
    assert [first[f"monitor_{m}"] - base for m in "abcd"] == [0, 0x10, 0x20, 0x30]


def test_invented_is_carried(vehicle: Vehicle) -> None:
    assert vehicle.invented
