"""What a notebook prints of a value fits a line or a few."""

from pathlib import Path

import pytest

from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.checks.planned_load import network_loads
from busplan.definitions.model import Message
from busplan.pack.pull import pull_series
from busplan.pack.report import evaluate_pack
from busplan.plan.reader import load_plan
from busplan.timing.gateways import vehicle_timing
from busplan.traffic.measured_load import measured_load, rates_of

ROOT = Path(__file__).parents[2]
LONGEST = 500


def test_every_value_of_a_plan_and_of_a_capture_prints_short() -> None:
    vehicle = load_plan(ROOT / "dbc_examples" / "as_built.toml")
    read = read_capture(ROOT / "captures" / "drive_short.log.gz", cache=False)
    capture = apply_plan(read, vehicle)
    timed = vehicle_timing(vehicle)
    assert vehicle.pack is not None
    report = evaluate_pack(pull_series(capture.frames, vehicle), vehicle.pack)
    node = next(iter(vehicle.nodes.values()))
    loads = network_loads(vehicle)
    measured = measured_load(capture.frames, rates_of(vehicle.networks))
    values = [vehicle, node, node.part, vehicle.pack, capture, capture.frames, timed, report]
    values += [*vehicle.networks.values(), *vehicle.streams, *vehicle.needs, *node.on.values()]
    values += [*timed.networks.values(), *timed.networks["drive"].responses]
    values += [*loads.values(), *loads["drive"].messages, *measured.values()]
    values += [s.message for s in vehicle.streams]
    for value in values:
        text = repr(value)
        assert len(text) < LONGEST, text
        assert "\n" not in text
        assert type(value).__name__ in text


def test_a_vehicle_says_what_it_is() -> None:
    path = ROOT / "dbc_examples" / "as_built.toml"
    vehicle = load_plan(path)
    assert repr(vehicle) == (
        f"<Vehicle 'Magpie' (invented) of {str(path)!r}: {len(vehicle.networks)} networks, "
        f"{len(vehicle.nodes)} nodes, {len(vehicle.streams)} messages>"
    )


@pytest.mark.parametrize("name", ["\x1b[31mred", "two\nlines"])
def test_names_from_files_send_nothing_to_the_terminal(name: str) -> None:
    assert repr(name) in repr(Message(name, 0x123, False, 8))
