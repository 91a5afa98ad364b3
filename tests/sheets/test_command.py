"""``busplan sheets``: what it writes, and that it writes over nothing unasked."""

import json
from pathlib import Path

from support.command import busplan

from busplan.demo.files import plan_file

NAMES = {
    "wiring.html",
    "wiring.csv",
    "gateway.csv",
    "drawing.svg",
    *(f"network_{n}.dbc" for n in ("drive", "pack", "charge", "thermal", "cabin", "telemetry")),
}


def test_all_sheets_are_written_once(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "sheets"
    run = busplan("sheets", plan_file("as_built"), "--to", folder)
    assert run.code == 0
    assert {p.name for p in folder.iterdir()} == NAMES
    assert "High voltage can kill" in run.err
    for path in folder.iterdir():
        assert "High voltage can kill" in path.read_bytes().decode("cp1252"), path.name
    (folder / "gateway.csv").write_text("mine")
    again = busplan("sheets", plan_file("as_built"), "--to", folder)
    assert again.code == 3
    assert "nothing written" in again.err
    assert (folder / "gateway.csv").read_text() == "mine"
    told = busplan("sheets", plan_file("as_built"), "--to", folder, "--replace", "--json")
    assert {Path(s["file"]).name for s in json.loads(told.out)["sheets"]} == NAMES
    assert (folder / "gateway.csv").read_text("utf-8").startswith('"Gateway sheet')


def test_a_folder_that_cannot_be_made_is_one_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    run = busplan("sheets", plan_file("as_built"), "--to", tmp_path / "file")
    assert run.code == 3
    assert run.err.count("\n") == 1
    assert "is no folder" in run.err
