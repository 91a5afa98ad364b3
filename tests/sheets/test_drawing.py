"""The drawing: whole, on its page, nothing on top of anything else, names harmless."""

import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from support.lanes import lanes

from busplan.demo.files import plan_file
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.sheets.drawing import drawing
from busplan.sheets.svg import in_lines, shortened, text_width

SVG = "{http://www.w3.org/2000/svg}"
POINT = 96 / 72


def parsed(vehicle: Vehicle) -> ElementTree.Element:
    return ElementTree.fromstring(drawing(vehicle))


def boxes(root: ElementTree.Element) -> list[tuple[float, float, float, float]]:
    """Node boxes: those of one width and height that occur most."""
    found = [
        tuple(float(r.get(k, "0")) for k in ("x", "y", "width", "height"))
        for r in root.iter(f"{SVG}rect")
        if r.get("fill") == "white" and not r.get("width", "").endswith("%")
    ]
    return [b for b in found if b[2] > 80 and b[3] > 20]  # type: ignore[misc]


@pytest.mark.parametrize(
    ("networks", "nodes", "gateways", "least_pt"),
    [(2, 6, 1, 6.3), (4, 24, 2, 6.3), (6, 60, 2, 6.0), (12, 200, 5, 3.5)],
)
def test_everything_is_on_the_page_and_readable(
    networks: int, nodes: int, gateways: int, least_pt: float
) -> None:
    root = parsed(lanes(networks, nodes, gateways))
    _, _, width, height = map(float, root.get("viewBox", "").split())
    mm = float(root.get("width", "").removesuffix("mm"))
    assert {mm, float(root.get("height", "").removesuffix("mm"))} == {210.0, 297.0}
    shown = mm / 25.4 * 96 / width
    sizes = {float(t.get("font-size", "0")) for t in root.iter(f"{SVG}text")}
    assert min(sizes) * shown / POINT >= least_pt
    drawn = boxes(root)
    assert len(drawn) == nodes - gateways
    for x, y, w, h in drawn:
        assert 0 <= x <= x + w <= width
        assert 0 <= y <= y + h <= height
    for i, (x, y, w, h) in enumerate(drawn):
        for a, b, c, d in drawn[i + 1 :]:
            assert x + w <= a or a + c <= x or y + h <= b or b + d <= y
    titles = [t.text for t in root.iter(f"{SVG}title")]
    assert len(titles) == nodes + 1


def test_black_and_white_and_cautious() -> None:
    text = drawing(lanes(2, 6))
    assert set(re.findall(r'(?:fill|stroke)="(\w+)"', text)) <= {"black", "white", "none"}
    assert "High voltage can kill" in text


def test_the_van_shows_its_loads_gateways_and_terminators() -> None:
    van = load_plan(plan_file("as_built"))
    texts = [t.text or "" for t in parsed(van).iter(f"{SVG}text")]
    assert "Magpie (invented): 6 networks, 27 nodes" in texts
    assert texts.count("T 120 Ω") == 12  # two a network, one of them in the inverter
    assert "load 16.0 % of 50.0 %" in texts
    assert "500/2000 kbit/s, CAN FD" in texts
    joints = [c for c in parsed(van).iter(f"{SVG}circle") if c.get("r") == "5"]
    assert len(joints) == sum(len(n.on) for n in van.nodes.values() if len(n.on) > 1)


def test_a_load_over_its_limit_says_so_in_words() -> None:
    assert "OVER LIMIT" in drawing(load_plan(plan_file("as_bought")))
    assert "OVER LIMIT" not in drawing(load_plan(plan_file("as_built")))


def test_names_are_text_and_nothing_else() -> None:
    vehicle = lanes(1, 3)
    nasty = replace(vehicle.nodes["gateway_1"], name="<script>\x1b")
    nodes = {nasty.name: nasty, **vehicle.nodes}
    text = drawing(replace(vehicle, name='"><svg onload=x>', nodes=nodes))
    assert "<script" not in text
    assert "\x1b" not in text
    ElementTree.fromstring(text)


def test_a_name_is_cut_in_its_middle() -> None:
    name = "left_rear_controller_of_the_second_axle_07"
    cut = shortened(name, 90, 10)
    assert cut.endswith("07")
    assert text_width(cut, 10) <= 90
    assert in_lines("left_rear_pump", 60, 10, 2) == ["left_rear_", "pump"]
    assert all(text_width(t, 10) <= 60 for t in in_lines("x" * 300, 60, 10, 2))


def test_an_empty_vehicle_is_drawn() -> None:
    assert parsed(Vehicle("", "", {}, {}, {}, ())).tag == f"{SVG}svg"
