"""The wiring schedule: its ohms, volts and lengths, its pins, and what it says is not known.

Outside truth: readings of a meter and mean volts are rows of ``reference_values.json`` (its sources
stand there); the ladder of terminators and wire is solved once more as a matrix of conductances.
"""

import csv
import io
import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from support.lanes import lanes

from busplan.demo.files import plan_file
from busplan.plan.cable import Cable, Tap
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.sheets.csv_text import csv_text
from busplan.sheets.wiring import NetworkWiring, wiring
from busplan.sheets.wiring_page import wiring_csv, wiring_html
from busplan.wire.connectors import pins_of
from busplan.wire.meter import Fitted, busy_volts, pair_reading

VALUES = json.loads((Path(__file__).parents[1] / "data/reference_values.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def van() -> Vehicle:
    return load_plan(plan_file("as_built"))


def of(vehicle: Vehicle, name: str) -> NetworkWiring:
    return next(one for one in wiring(vehicle) if one.network.name == name)


@pytest.mark.parametrize("row", VALUES["ohmmeter"]["rows"], ids=str)
def test_readings_of_the_reference(row: list[float | None]) -> None:
    first, second, rho, trunk, at, nodes, node_ohm, reading = row
    fitted = [Fitted(0.0, 0.0, first or 0)]
    fitted += [Fitted(trunk or 0, 0.0, second)] if second is not None else []
    found = pair_reading(fitted, at or 0, ohm_per_m=rho or 0)
    assert found is not None
    loaded = 1 / (1 / found.most + (nodes or 0) / (node_ohm or 1))
    assert loaded == pytest.approx(reading, abs=0.05)


def test_the_least_counts_every_node() -> None:
    """20 kΩ a node, the least a fieldbus adapter's manual asks for."""
    found = pair_reading([Fitted(0, 0, 120), Fitted(0, 0, 120)], 0, nodes=10)
    assert found is not None
    assert found.most == pytest.approx(60)
    assert found.least == pytest.approx(1 / (1 / 60 + 10 / 20_000))


def test_volts_of_the_reference() -> None:
    for row in VALUES["meter_average"]["examples"]:
        high, low = busy_volts(row["load"])
        assert high.least <= row["V_H"] <= high.most
        assert low.least <= row["V_L"] <= low.most
        assert high.least - 2.5 == pytest.approx(2.5 - low.most)


def ladder(positions: list[float], ohms: dict[int, float], at: int, rho: float) -> float:
    """Resistance seen at node ``at`` of a ladder: unit current into a conductance matrix."""
    n = len(positions)
    matrix = np.zeros((n, n))
    for i, (a, b) in enumerate(pairwise(positions)):
        g = 1 / (2 * rho * (b - a))
        matrix[i : i + 2, i : i + 2] += [[g, -g], [-g, g]]
    for i, ohm in ohms.items():
        matrix[i, i] += 1 / ohm
    current = np.zeros(n)
    current[at] = 1.0
    return float(np.linalg.solve(matrix, current)[at])


def test_the_readings_of_drive_are_those_of_its_ladder(van: Vehicle) -> None:
    one = of(van, "drive")
    positions = [tap.at_m or 0.0 for tap in one.taps]
    inverter = 120 + 2 * 0.038 * 0.3  # through its stub
    for index, tap in enumerate(one.taps):
        assert tap.reading_ohm is not None
        expected = ladder(positions, {0: 120, len(positions) - 1: inverter}, index, 0.038)
        expected += 2 * 0.038 * (tap.stub_m or 0.0)
        if tap.node == "inverter":  # its own terminator sits on the meter's side of the stub
            continue
        assert tap.reading_ohm.most == pytest.approx(expected, abs=1e-6), tap.node


def test_at_a_built_in_terminator_the_meter_sees_it_without_its_stub(van: Vehicle) -> None:
    tap = of(van, "drive").taps[-1]
    assert tap.reading_ohm is not None
    other = 120 + 2 * 0.038 * (6.5 + 0.3)
    assert tap.reading_ohm.most == pytest.approx(1 / (1 / 120 + 1 / other), abs=1e-6)


def test_lengths_add_up(van: Vehicle) -> None:
    for one in wiring(van):
        cable = one.network.cable
        assert cable is not None
        assert one.wire_m == pytest.approx((cable.trunk_m or 0) + sum(cable.stubs_m.values()))
        steps = [tap.from_previous_m for tap in one.taps if tap.from_previous_m is not None]
        if steps:
            assert sum(steps) == pytest.approx(one.trunk_m)
            assert one.taps[-1].at_m == pytest.approx(one.trunk_m)


def test_one_missing_terminator_reads_double(van: Vehicle) -> None:
    assert [t.without_ohm for t in of(van, "drive").terminators] == [120.0, 120.0]


def changed(vehicle: Vehicle, cable: Cable | None) -> Vehicle:
    network = replace(next(iter(vehicle.networks.values())), cable=cable)
    return replace(vehicle, networks={**vehicle.networks, network.name: network})


def test_what_nobody_states_is_not_stated() -> None:
    vehicle = changed(lanes(1, 3), None)
    (one,) = wiring(vehicle)
    assert one.wire_m is None
    assert one.reading_ohm is None
    assert not one.order_stated
    assert {tap.high_pin for tap in one.taps} == {None}
    page = wiring_html(vehicle)
    assert "Order along the trunk not stated" in page
    assert "the network cannot work" not in page
    assert "Terminators not stated" in page
    assert "; splices not stated; " in page
    assert ">open<" not in page
    half = wiring_html(changed(lanes(1, 3), Cable(5.0)))
    assert "Terminators not stated" in half
    one_known = changed(lanes(1, 3), Cable(5.0, {next(iter(vehicle.nodes)): 0.2}))
    assert "; 1 splice or more; " in wiring_html(one_known)
    bare = changed(lanes(1, 3), Cable(5.0, {}, ()))
    assert "the pair reads open, and the network cannot work" in wiring_html(bare)


def test_without_lengths_the_ohms_are_those_of_the_terminators_alone() -> None:
    (one,) = wiring(changed(lanes(1, 3), Cable(None, {}, (120.0, 110.0))))
    assert one.reading_ohm is not None
    assert one.reading_ohm.most == pytest.approx(1 / (1 / 120 + 1 / 110))
    assert "which nobody states" in wiring_html(changed(lanes(1, 3), Cable(None, {}, (120.0,))))


def test_a_node_whose_place_nobody_states_may_read_what_any_place_gives() -> None:
    """Against the ladder, with the node at either end and at any place between."""
    (one,) = wiring(changed(lanes(1, 2), Cable(12.0, {"gateway_1": 2.5}, (120.0, 120.0))))
    node = next(t for t in one.taps if t.stub_m == 2.5)
    assert node.at_m is None
    assert node.reading_ohm is not None
    tried = [ladder([0, at, 12], {0: 120, 2: 120}, 1, 0.07) for at in (0.001, 3, 6, 11)]
    for reading in tried:
        assert node.reading_ohm.least < reading + 2 * 0.07 * 2.5 <= node.reading_ohm.most + 1e-9
    assert node.reading_ohm.most == pytest.approx(max(tried) + 2 * 0.07 * 2.5)
    assert node.reading_ohm.least == pytest.approx(min(tried), rel=0.02)


def test_terminators_whose_place_nobody_states_may_lie_the_whole_trunk_away() -> None:
    (one,) = wiring(changed(lanes(1, 2), Cable(10.0, {}, (120.0, 110.0, 120.0))))
    assert one.reading_ohm is not None
    far = 2 * 0.07 * 10
    assert one.reading_ohm.most == pytest.approx(1 / (2 / (120 + far) + 1 / (110 + far)))
    assert one.reading_ohm.least < 1 / (2 / 120 + 1 / 110)


def test_a_terminator_beside_others_that_nobody_states_is_no_prediction() -> None:
    # With 120 Ω in a node and none stated on the cable, the pair may read 60 Ω, and 120 without it.
    vehicle = changed(lanes(1, 3), Cable(2.0))
    name = next(n for n in vehicle.nodes)
    node = vehicle.nodes[name]
    on = {k: replace(port, terminator_ohm=120.0) for k, port in node.on.items()}
    page = wiring_html(replace(vehicle, nodes={**vehicle.nodes, name: replace(node, on=on)}))
    assert f"120 Ω built into {name}." in page
    assert "without it the pair reads" not in page
    assert "as far as stated: terminators on the cable are not" in page


def test_conventions_fill_only_what_the_plan_leaves_open() -> None:
    """Pins of CiA 303-1 and SAE J1939 as makers' sheets give them."""
    assert pins_of("D-Sub 9") == ("7", "2", "3", "5", "CiA 303-1")
    assert pins_of("SAE J1939-13") == ("C", "D", "A", "E", "SAE J1939-13")
    assert pins_of("RJ45") is None
    tap = Tap("D-sub 9", high_pin="9")
    (one,) = wiring(changed(lanes(1, 3), Cable(2.0, {}, taps={"gateway_1": tap})))
    row = one.taps[0]
    assert (row.high_pin, row.low_pin, row.pins_by) == ("9", "2", "plan and CiA 303-1")


def test_colours_of_j1939_networks_only(van: Vehicle) -> None:
    assert of(van, "charge").colours == ("yellow", "green")
    assert of(van, "charge").colours_by == "SAE J1939-11"
    assert of(van, "pack").colours == (None, None)


def rows(text: str) -> list[dict[str, str]]:
    lines = text.split("\r\n", 1)
    assert "High voltage can kill" in lines[0]
    return list(csv.DictReader(io.StringIO(lines[1], newline="")))


def test_the_csv_holds_what_the_page_shows(van: Vehicle) -> None:
    found = rows(wiring_csv(van))
    drive = [r for r in found if r["network"] == "drive"]
    assert [r["node"] for r in drive][-2:] == ["(terminator)", "(whole network)"]
    assert float(drive[-1]["wire_m"]) == 8.5
    pedal = next(r for r in drive if r["node"] == "pedal")
    assert (pedal["connector"], pedal["high_pin"], pedal["pins_by"]) == ("M12", "4", "CiA 303-1")
    assert pedal["place"] == "driver's footwell"


def test_texts_of_the_plan_are_no_markup_and_no_formula() -> None:
    tap = Tap(connector='=HYPERLINK("x")', label="<script>alert(1)</script>\x1b[2J")
    vehicle = changed(lanes(1, 3), Cable(2.0, {}, taps={"gateway_1": tap}, wire="<b>&"))
    page = wiring_html(replace(vehicle, name="<img src=x onerror=y>"))
    assert "<script>" not in page
    assert "<img" not in page
    assert "\x1b" not in page
    row = rows(wiring_csv(vehicle))[0]
    assert row["connector"].startswith("'=")
    assert "\x1b" not in row["label"]


def test_the_page_carries_the_cautions(van: Vehicle) -> None:
    page = wiring_html(van)
    assert page.count("High voltage can kill") >= 2  # the page and its drawing
    assert "proven dead by a licensed person" in page.replace("\n", " ")
    assert "Invented demo data" in page


def test_a_cell_keeps_the_digits_of_a_scale() -> None:
    """A gateway is programmed by it: 1/65.535 is no 0.015259."""
    row = csv_text("t", ["scale", "ms"], [[1 / 65.535, 205.78]]).splitlines()[-1]
    assert row == "0.0152590219,205.78"
