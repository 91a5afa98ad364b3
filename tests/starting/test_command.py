"""``busplan propose``: what it reads, that it writes over nothing, and what new files would add."""

import json
import shutil
from pathlib import Path

import pytest
from support.command import busplan
from support.parts_box import capture_file

from busplan.demo.files import shipped
from busplan.plan.reader import load_plan


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "parts"
    made.mkdir()
    for name in ("pump", "fan", "valve", "heater", "supervisor_thermal"):
        shutil.copy(shipped("dbc_examples") / f"{name}.dbc", made)
    shutil.copy(capture_file("collision"), made)
    (made / "torn.dbc").write_text("BO_ nothing")
    (made / "notes.txt").write_text("see you at noon")
    frames = "".join(f"{k / 100},{100 + k % 3},8,{k:016x}\n" for k in range(60))
    (made / "frames.csv").write_text(f"time,id,dlc,data\n{frames}")
    (made / "empty.csv").write_text("")
    (made / "costs.csv").write_text("date,what\n2026-01-02,a motor\n")
    return made


def test_it_writes_a_plan_once(folder: Path) -> None:
    run = busplan("propose", folder)
    assert run.code == 0, run.err
    plan = folder / "plan.toml"
    assert "125" in run.out
    assert "not used: torn.dbc" in run.out
    assert "not used: costs.csv: its headings are neither" in run.out
    assert "not used: empty.csv: nothing in it can be read" in run.out
    assert "could be hexadecimal or decimal; busplan cut writes it as a log" in (
        " ".join(run.out.split())
    )
    vehicle = load_plan(plan)
    assert set(vehicle.nodes) == {"supervisor", "fan", "heater", "pump", "valve"}
    text = plan.read_text("utf-8")
    assert "High voltage can kill" in text
    again = busplan("propose", folder)
    assert again.code == 3
    assert "stays as it is" in again.err
    assert plan.read_text("utf-8") == text


def test_a_plan_elsewhere_names_its_files_from_there(folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "first.toml"
    run = busplan("propose", folder, "--out", target, "--json")
    told = json.loads(run.out)
    assert told["written"] == str(target)
    assert {n for one in told["networks"] for n in one["nodes"]} >= {"pump", "fan"}
    assert 'definitions = "parts/pump.dbc"' in target.read_text("utf-8")
    load_plan(target)


def test_new_files_are_proposed_and_the_plan_is_left_alone(folder: Path) -> None:
    plan = folder / "plan.toml"
    assert busplan("propose", folder).code == 0
    before = plan.read_text("utf-8")
    none = busplan("propose", folder, "--plan", plan)
    assert "nothing to add" in none.out
    shutil.copy(shipped("dbc_examples") / "recorder.dbc", folder)
    run = busplan("propose", folder, "--plan", plan)
    assert run.code == 0, run.err
    assert plan.read_text("utf-8") == before
    plan.write_text(before + run.out, "utf-8")
    vehicle = load_plan(plan)
    assert "recorder" in vehicle.nodes
    assert "pump" in vehicle.nodes


def test_a_table_that_the_plan_has_is_not_proposed_again(folder: Path) -> None:
    (folder / "horn.csv").write_text("id,bytes,period,name\n0x555,1,100 ms,Horn\n", "utf-8")
    plan = folder / "plan.toml"
    assert busplan("propose", folder).code == 0
    again = busplan("propose", folder, "--plan", plan)
    assert "nothing to add" in again.out
    (folder / "horn.csv").write_text("id,bytes,period,name\n0x556,1,100 ms,Horn\n", "utf-8")
    run = busplan("propose", folder, "--plan", plan)
    plan.write_text(plan.read_text("utf-8") + run.out, "utf-8")
    (stream,) = (s for s in load_plan(plan).streams if s.node == "horn_2")
    assert (stream.message.identifier, stream.own) == (0x556, True)


def test_a_new_part_joins_the_network_that_shows_it(folder: Path) -> None:
    (folder / "valve.dbc").unlink()
    plan = folder / "plan.toml"
    busplan("propose", folder)
    (thermal,) = load_plan(plan).networks
    shutil.copy(shipped("dbc_examples") / "valve.dbc", folder)
    run = busplan("propose", folder, "--plan", plan)
    assert f'on = ["{thermal}"]   # seen' in run.out


def test_it_asks_when_told_to(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "collision_short.log.gz").unlink()
    given = {"How many of pump are there?": "2", "What is the vehicle called?": "Wren"}
    monkeypatch.setattr("typer.prompt", lambda text, default, **_: given.get(text, default))
    run = busplan("propose", folder, "--ask")
    assert run.code == 0, run.err
    vehicle = load_plan(folder / "plan.toml")
    assert vehicle.name == "Wren"
    assert {"pump_1", "pump_2"} <= set(vehicle.nodes)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("nowhere",), "no such folder"),
        ((__file__,), "is no folder"),
        ((".", "--out", "a.toml", "--plan", "b.toml"), "choose one"),
    ],
)
def test_wrong_calls(arguments: tuple[str, ...], words: str) -> None:
    run = busplan("propose", *arguments)
    assert run.code == 3
    assert words in run.err


def test_an_empty_folder_is_one_error(tmp_path: Path) -> None:
    run = busplan("propose", tmp_path)
    assert run.code == 3
    assert "no part was found" in run.err
    assert not list(tmp_path.iterdir())


def test_captures_alone_are_told_what_to_do_next(tmp_path: Path) -> None:
    shutil.copy(capture_file("collision"), tmp_path)
    run = busplan("propose", tmp_path)
    assert run.code == 3
    assert "captures alone name no part: draft a definition" in " ".join(run.err.split())
