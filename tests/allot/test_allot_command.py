"""``busplan allot`` on made plans and the demo: the answer is applied, checked and simulated."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from support.allot_plans import shuffled_plan
from support.command import busplan

import busplan as face
from busplan.allot.identifiers import Allotment, allot_identifiers
from busplan.allot.networks import may_change
from busplan.checks.registry import run_checks
from busplan.definitions.j1939 import split_identifier
from busplan.plan.change import set_identifiers
from busplan.plan.reader import change_plan, load_plan
from busplan.timing.gateways import vehicle_timing

IDENTIFIERS = ("--only", "identifiers")
DEMO = Path(__file__).parents[2] / "dbc_examples"


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "sorter.toml"
    path.write_text(shuffled_plan(nodes=4, seed=4), "utf-8")
    return path


def late(plan: Path) -> int:
    return sum(len(n.missed) for n in vehicle_timing(load_plan(plan)).networks.values())


def test_what_it_says_pasted_into_the_plan_brings_every_message_in_time(plan: Path) -> None:
    assert late(plan) > 0
    told = busplan("allot", plan, *IDENTIFIERS)
    assert told.code == 0, told.err
    assert "no answer changes fewer" in told.out
    shown = json.loads(busplan("allot", plan, *IDENTIFIERS, "--json").out)
    assert shown["solved"] is True
    assert shown["changes"] == shown["bound"] >= 1
    written = plan.with_name("written.toml")
    assert busplan("allot", plan, *IDENTIFIERS, "--out", written).code == 0
    assert late(written) == 0
    assert busplan("allot", plan, *IDENTIFIERS, "--out", written).code == 3, "what is there stays"
    paste(plan, busplan("allot", plan, *IDENTIFIERS, "--toml").out)
    assert late(plan) == 0
    simulated = busplan("simulate", plan, "--seconds", "3", "--json")
    assert simulated.code <= 1, "no deadline was passed on the simulated bus"
    assert "No identifier has to change" in busplan("allot", plan, *IDENTIFIERS).out


@pytest.mark.parametrize("offsets", [(), ("n0_0",)])
def test_python_says_the_same_of_identifiers_and_gives_the_plan(
    plan: Path, offsets: tuple[str, ...]
) -> None:
    args = [a for node in offsets for a in ("--offsets", node)]
    shown = json.loads(busplan("allot", plan, *IDENTIFIERS, *args, "--json").out)
    found = face.allot(load_plan(plan), only="identifiers", offsets=offsets)
    assert json.loads(json.dumps(found.document)) == shown
    assert found.proven
    assert found.cost == found.bound == 0.5 * shown["changes"], "the usual cost of one"
    spread = len(shown["offsets"]["changes"]) if offsets else 0
    assert len(found.to_frame()) == shown["changes"] + spread > spread
    assert found.headline in repr(found)
    assert found.plan is not None
    written = plan.with_name("written.toml")
    written.write_text(found.plan, "utf-8")
    assert late(written) == 0
    assert found.vehicle is not None
    assert [s.key for s in found.vehicle.streams] == [s.key for s in load_plan(written).streams]
    again = face.allot(load_plan(written), networks=list(found.vehicle.networks))
    assert (again.plan, again.cost, again.headline) == (None, 0.0, "No identifier has to change")


def test_names_of_the_plan_bring_no_sequences_into_a_notebook(plan: Path) -> None:
    text = plan.read_text("utf-8")
    for old, new in (("n0_0", "n\\u001b[2J"), ("n0_1", "<script>")):
        text = text.replace(f"[node.{old}]", f'[node."{new}"]').replace(f"/{old}/", f"/{new}/")
    plan.write_text(text, "utf-8")
    found = face.allot(load_plan(plan), only="identifiers")
    assert any("\x1b" in s.what for s in found.changes)
    assert "\x1b" not in repr(found) + found._repr_html_()
    assert "<script>" not in found._repr_html_()


def test_python_names_the_parts_that_identifiers_alone_cannot_part() -> None:
    van = load_plan(DEMO / "as_bought.toml")
    found = face.allot(van, only="identifiers")
    assert (found.cost, found.proven) == (None, False)
    assert {"pump_1", "pump_2"} <= set(found.conflict)
    assert "still not in time" in found.headline
    # On one network a part that can be set to another offset mends it.
    drive = face.allot(van, networks="drive")
    assert (drive.cost, drive.conflict) == (0.5, ())
    assert [s.what for s in drive.changes] == ["steering_pump is set to offset 0x8"]
    assert drive.headline == "1 part is set to another offset, no identifier has to change"


def test_python_lets_identifiers_stay(plan: Path) -> None:
    found = face.allot(load_plan(plan), only="placement", seconds=5.0)
    assert not any("gets" in s.what for s in found.changes)
    assert found.cost is None or found.cost > 0.0


def paste(plan: Path, tables: str) -> None:
    """Into the plan, under a heading that it has already, or at its end."""
    text = plan.read_text("utf-8")
    for table in tables.strip().split("\n\n"):
        heading, value = table.split("\n")
        if heading in text:
            text = text.replace(heading, f"{heading}\n{value}")
        else:
            text += f"\n{table}\n"
    plan.write_text(text, "utf-8")


def test_bus_errors_ask_for_more_changes_or_as_many(plan: Path) -> None:
    plain = json.loads(busplan("allot", plan, *IDENTIFIERS, "--json").out)
    robust = json.loads(busplan("allot", plan, *IDENTIFIERS, "--json", "--faults", "10").out)
    assert robust["fault_interval_ns"] == 10_000_000
    assert robust["bound"] >= plain["bound"]


def test_what_cannot_be_is_said_with_the_parts_that_stand_in_the_way() -> None:
    told = busplan("allot", DEMO / "as_bought.toml", *IDENTIFIERS)
    words = " ".join(told.out.split())
    assert told.code == 2
    assert "pump_1/PumpStatus" in words
    assert "share identifiers, and no more of them may change" in words
    assert "other identifiers for pump_1" in words
    assert "or one of them on another network" in words


def test_a_part_with_offsets_moves_as_a_whole_where_it_must(tmp_path: Path) -> None:
    for file in DEMO.iterdir():
        if file.suffix in (".dbc", ".toml"):
            (tmp_path / file.name).write_bytes(file.read_bytes())
    plan, out = tmp_path / "as_bought.toml", tmp_path / "moved.toml"
    told = busplan("allot", plan, *IDENTIFIERS, "--network", "drive", "--out", out)
    words = " ".join(told.out.split())
    assert "steering_pump moves as a whole, from offset 0x0 to 0x8" in words
    assert "drive: shares an identifier with inverter" in words
    assert load_plan(out).nodes["steering_pump"].identifier_offset == 8
    codes = [f.code for f in run_checks(load_plan(out))]
    assert "identifier-clash" not in codes
    assert "identifier-clash" in [f.code for f in run_checks(load_plan(plan))]
    pasted = busplan("allot", plan, *IDENTIFIERS, "--network", "drive", "--toml").out
    assert "# in [node.steering_pump]: identifier_offset = 0x8" in pasted


def test_no_message_is_given_a_reserved_identifier(plan: Path) -> None:
    given = [c.becomes for c in found_for(plan).changes]
    assert given
    text = plan.read_text("utf-8")
    reserved = f"[network.net0]\nreserved = [[0x000, {max(given):#x}]]"
    plan.write_text(text.replace("[network.net0]", reserved), "utf-8")
    found = found_for(plan)
    assert found.solved
    assert min(c.becomes for c in found.changes) > max(given)


def test_a_single_identifier_can_be_refused_and_another_changes_instead(plan: Path) -> None:
    shown = json.loads(busplan("allot", plan, "--json").out)
    name = shown["changes"][0]["refuse"]
    assert name.startswith("identifier n0_")
    other = json.loads(busplan("allot", plan, "--json", "--refuse", name).out)
    assert other["solved"] is True
    assert other["refused"] == [name]
    assert other["cost"] >= shown["cost"]
    assert name not in [c["refuse"] for c in other["changes"]]
    told = busplan("allot", plan, "--screen", "--json")
    assert (told.code, told.out) == (3, "")


def found_for(plan: Path) -> Allotment:
    before = load_plan(plan)
    return allot_identifiers(
        before, lambda changes: change_plan(plan, [set_identifiers(changes)]).after
    )


def test_a_plan_that_is_in_time_needs_nothing() -> None:
    told = busplan("allot", DEMO / "as_built.toml", *IDENTIFIERS)
    assert told.code == 0
    assert "No identifier has to change" in told.out
    assert "at least" in told.out
    assert "the plan as it is: no faults" in told.out


def test_fixed_parts_that_cannot_be_in_time_are_named(tmp_path: Path) -> None:
    path = tmp_path / "fixed.toml"
    path.write_text(shuffled_plan(nodes=4, seed=4, fixed=1.0), "utf-8")
    shown = json.loads(busplan("allot", path, *IDENTIFIERS, "--json").out)
    assert shown["solved"] is False
    (network,) = shown["networks"]
    assert network["may_change"] == 0
    assert network["impossible"]


def test_offsets_alone_say_how_to_write_them() -> None:
    told = busplan("allot", DEMO / "as_built.toml", "--offsets", "supervisor")
    assert told.code == 0
    assert "No identifier has to change" in told.out
    assert "The changed plan: --out NEW.toml" in told.out
    assert "The changed plan" not in busplan("allot", DEMO / "as_built.toml", *IDENTIFIERS).out


def test_an_unknown_network_is_one_error(plan: Path) -> None:
    told = busplan("allot", plan, *IDENTIFIERS, "--network", "net7")
    assert (told.code, told.out) == (3, "")
    assert 'no network "net7"' in told.err


def test_a_group_of_j1939_keeps_its_identifier_and_so_does_a_fixed_part() -> None:
    vehicle = load_plan(DEMO / "as_built.toml")
    free = [s for s in vehicle.streams if may_change(vehicle, s)]
    assert free
    assert {vehicle.nodes[s.node].part.identifiers for s in free} == {"free"}
    group = replace(free[0].message, extended=True, j1939=split_identifier(0x18FF1020))
    assert not may_change(vehicle, replace(free[0], message=group))


def test_hostile_names_and_many_messages(tmp_path: Path) -> None:
    odd = "\\u001b[2J=HYPERLINK(1)<b>\\u202e"
    text = shuffled_plan(nodes=4, seed=4).replace('"Sorter (invented)"', f'"{odd}"')
    path = tmp_path / "odd.toml"
    path.write_text(text, "utf-8")
    told = busplan("allot", path, *IDENTIFIERS)
    assert told.code == 0
    assert "\x1b" not in told.out + told.err
    assert "\u202e" not in told.out
    path.write_text(shuffled_plan(nodes=10, messages=10, load=0.7), "utf-8")
    assert busplan("allot", path, *IDENTIFIERS, "--seconds", "0.1", "--json").code in (0, 1, 2)


def test_taking_periods_away_never_makes_the_answer_better(plan: Path) -> None:
    text = plan.read_text("utf-8")
    plan.write_text(text.replace("cycle_ms = 10\n", ""), "utf-8")
    shown = json.loads(busplan("allot", plan, *IDENTIFIERS, "--json").out)
    gone = text.count("cycle_ms = 10\n")
    assert sum(n["unjudged"] for n in shown["networks"]) == gone > 0
    told = " ".join(busplan("allot", plan, *IDENTIFIERS).out.split())
    assert f"{gone} messages without a period" in told
    bare = "".join(line for line in text.splitlines(True) if not line.startswith("cycle_ms"))
    plan.write_text(bare.split("[message.")[0], "utf-8")
    told = " ".join(busplan("allot", plan, *IDENTIFIERS).out.split())
    assert "every message is in time" not in told
    assert "32 messages without a period" in told
