"""``busplan compare``: what differs, told once and where it is stated, and what it does."""

import json
from dataclasses import fields
from pathlib import Path

import pytest
from support.command import busplan
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.checks import plan_changes as plan_words
from busplan.checks.plan_changes import plan_changes
from busplan.checks.response_changes import response_changes
from busplan.definitions.dbc import parse_dbc
from busplan.definitions.differences import (
    MESSAGE_FIELDS,
    SIGNAL_FIELDS,
    ChangeRow,
    message_changes,
)
from busplan.definitions.model import Message, Signal
from busplan.demo.files import plan_file
from busplan.plan.bounds import MessageBounds
from busplan.plan.cable import Cable
from busplan.plan.movable import Freedom, NetworkFreedom, NodeFreedom
from busplan.plan.reader import load_plan
from busplan.plan.route import Route
from busplan.plan.vehicle import Network, Node, PackLayout, Part, Port, Stream


def changes(folder: Path, edit: tuple[str, str], **files: str) -> list[tuple[str, ...]]:
    """What an edit of the small plan (or of its files) is told as."""
    (folder / "old").mkdir()
    (folder / "new").mkdir()
    old = load_plan(write_plan(folder / "old", PLAN, pump=PUMP, vcu=VCU))
    text = PLAN.replace(*edit, 1)
    assert files or text != PLAN
    new = load_plan(write_plan(folder / "new", text, **({"pump": PUMP, "vcu": VCU} | files)))
    return [
        (r.section, r.kind, r.where, r.what, r.before or "", r.after or "")
        for r in plan_changes(old, new)
    ]


MAY = ("what may change", "changes")
LONGEST_GAP = ("longest gap on the bench [ns]",)


@pytest.mark.parametrize(
    ("edit", "told"),
    [
        (
            ("bit_rate = 250_000", "bit_rate = 125_000"),
            ("networks", "changes", "loop", "bit rate [bit/s]", "250000", "125000"),
        ),
        (
            ("bit_rate = 250_000", "bit_rate = 250_000\ncable.trunk_m = 4"),
            ("cables", "changes", "loop", "trunk [m]", "", "4"),
        ),
        (
            ('on = ["loop"]', 'on = ["main"]'),
            ("nodes", "changes", "pump", "networks", "loop", "main"),
        ),
        (
            ('on = ["loop"]', 'on = ["loop"]\nidentifier_offset = 0x10'),
            ("nodes", "changes", "pump", "identifier offset", "0x0", "0x10"),
        ),
        (
            ('identifiers = "free"', 'identifiers = "fixed"'),
            ("parts", "changes", "vcu", "identifiers", "free", "fixed"),
        ),
        (
            ("[node.pump]", '[message."loop/PumpOrder"]\ncycle_ms = 20\n[node.pump]'),
            ("messages", "changes", "loop/vcu/PumpOrder", "period", "50 ms", "20 ms"),
        ),
        (
            ("[node.pump]", '[message."loop/PumpOrder"]\nlongest_gap_ms = 20\n[node.pump]'),
            ("messages", "changes", "loop/vcu/PumpOrder", *LONGEST_GAP, "", "20000000"),
        ),
        (
            ("bit_rate = 250_000", "bit_rate = 250_000\nload_limit = 0.5"),
            ("networks", "changes", "loop", "load limit stated", "no", "yes"),
        ),
        (
            ("bit_rate = 250_000", "bit_rate = 250_000\nreserved = [[16, 0x7F], [8, 0x1000]]"),
            (*MAY, "network loop", "reserved", "", "0x010 to 0x07F, 0x008 to 0x00001000"),
        ),
        (
            ("bit_rate = 250_000", "bit_rate = 250_000\nguests = false"),
            (*MAY, "network loop", "guests", "yes", "no"),
        ),
        (
            ('on = ["loop"]', 'on = ["loop"]\nallowed = ["main"]'),
            (*MAY, "node pump", "may sit on", "not stated", "main"),
        ),
        (
            ("[part.pump]", "[part.pump]\nbuy_other_identifiers = 3"),
            (*MAY, "allot", "cost of other identifiers of pump", "", "3"),
        ),
        (
            ("[part.pump]", "[allot]\nmove = 3\n[part.pump]"),
            (*MAY, "allot", "cost of move", "1", "3"),
        ),
    ],
)
def test_one_edit_is_one_row(tmp_path: Path, edit: tuple[str, str], told: tuple[str, ...]) -> None:
    found = changes(tmp_path, edit)
    assert told in found
    assert len([r for r in found if r[3] != "deadline"]) == 1, found


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("", "terminators_ohm = []", ("not stated", None)),
        ("terminators_ohm = []", "", (None, "not stated")),
        ("", "terminators_ohm = [120]", ("not stated", "120")),
        ("terminators_ohm = [120]", "terminators_ohm = []", ("120", None)),
    ],
)
def test_no_terminator_is_another_thing_than_none_stated(
    tmp_path: Path, old: str, new: str, told: tuple[str | None, str | None]
) -> None:
    """The one is a broken cable, of the other nothing is known."""
    cable = "[network.loop.cable]\ntrunk_m = 4\n"
    plans = []
    for text in (old, new):
        (folder := tmp_path / str(len(plans))).mkdir()
        plan = PLAN.replace("[network.main]", f"{cable}{text}\n[network.main]")
        plans.append(load_plan(write_plan(folder, plan, pump=PUMP, vcu=VCU)))
    (row,) = plan_changes(*plans)
    assert (row.what, row.before, row.after) == ("terminators [Ω]", *told)


def test_a_changed_definition_is_told_at_its_part_and_field(tmp_path: Path) -> None:
    pump = PUMP.replace("(1,0)", "(0.5,0)", 1)
    found = changes(tmp_path, ("", ""), pump=pump)
    assert found == [
        ("definitions", "changes", "pump/PumpStatus/PumpSpeed", "scale", "1", "0.5"),
    ]


def test_every_field_of_a_plan_is_compared_or_left_out_on_purpose() -> None:
    """Whoever adds a field decides what two plans that differ in it are told to differ in."""
    elsewhere = {
        Network: {"name", "cable"},
        Cable: set(),
        Part: {"name", "ports"},
        Port: {"name", "files", "messages", "versions"},
        Node: {"name", "part", "on"},
        Stream: {"network", "node", "message", "via", "namesake", "bounds"},
        MessageBounds: set(),
        Route: {"name", "kind", "what", "source", "target", "through", "line"},
        PackLayout: set(),
        Freedom: {"nodes", "networks", "costs", "kept"},
        NodeFreedom: {"ports"},
        NetworkFreedom: {"reserved"},
        Message: {"identifier", "signals", "file", "line", "extended", "_by_name"},
        Signal: set(),
    }
    told = {
        Network: plan_words._NETWORK,
        Cable: plan_words._CABLE,
        Part: plan_words._PART,
        Port: plan_words._PORT,
        Node: plan_words._NODE,
        Stream: plan_words._TIMING,
        MessageBounds: plan_words._BENCH,
        Route: plan_words._ROUTE,
        PackLayout: plan_words._PACK,
        Freedom: plan_words._ALLOT,
        NodeFreedom: plan_words._MAY_CHANGE["node"],
        NetworkFreedom: plan_words._MAY_CHANGE["network"],
        Message: MESSAGE_FIELDS,
        Signal: SIGNAL_FIELDS,
    }
    for kind, names in elsewhere.items():
        assert {f.name for f in fields(kind)} - set(told[kind]) == names, kind.__name__


def test_the_same_plan_has_no_difference() -> None:
    van = load_plan(plan_file("as_built"))
    assert plan_changes(van, van) == ()
    assert response_changes(van, van) == ()


def test_what_one_way_comes_goes_the_other_way() -> None:
    bought, built = (load_plan(plan_file(n)) for n in ("as_bought", "as_built"))
    there, back = plan_changes(bought, built), plan_changes(built, bought)
    swapped = {"comes": "goes", "goes": "comes", "changes": "changes"}

    def mirrored(row: ChangeRow) -> tuple[object, ...]:
        return row.section, swapped[row.kind], row.what, row.after, row.before

    assert sorted(map(str, map(mirrored, back))) == sorted(
        str((r.section, r.kind, r.what, r.before, r.after)) for r in there
    )
    assert ("networks", "goes", "body") in {(r.section, r.kind, r.where) for r in there}


def test_newly_late_messages_stand_first() -> None:
    bought, built = (load_plan(plan_file(n)) for n in ("as_bought", "as_built"))
    found = response_changes(built, bought)
    display = next(r for r in found if r.message == "body/display/DisplayInput")
    assert (display.late_before, display.late_after) == (False, True)  # it sits on cabin as built
    late = [r.late_after and not r.late_before for r in found]
    assert late == sorted(late, reverse=True)


def test_a_renamed_signal_is_one_row() -> None:
    old = parse_dbc(PUMP, "a.dbc").messages
    new = parse_dbc(PUMP.replace("PumpSpeed", "Revolutions"), "b.dbc").messages
    (row,) = message_changes(old, new, "messages")
    assert (row.what, row.before, row.after) == ("name", "PumpSpeed", "Revolutions")


def test_a_message_under_a_new_name_is_found_by_its_identifier() -> None:
    old = parse_dbc(PUMP, "a.dbc").messages
    new = parse_dbc(PUMP.replace("PumpStatus", "Status"), "b.dbc").messages
    (row,) = message_changes(old, new, "messages")
    assert (row.where, row.what, row.before) == ("Status", "name", "PumpStatus")


def test_one_of_a_thing_is_told_as_one() -> None:
    bit = 'BO_ 5 Flag: 1 PUMP\n SG_ On : 0|1@1+ (1,0) [0|1] "" VCU\n'
    old, new = (parse_dbc(text, "a.dbc").messages for text in (PUMP, PUMP + bit))
    (row,) = message_changes(old, new, "messages")
    assert row.after == "0x005, 1 byte, 1 signal"
    (row,) = message_changes(
        parse_dbc(PUMP + bit.partition(" SG_")[0], "a.dbc").messages, new, "messages"
    )
    assert row.after == "bit 0, 1 bit"


def test_two_files_on_the_command_line(tmp_path: Path) -> None:
    (tmp_path / "a.dbc").write_text(PUMP)
    (tmp_path / "b.dbc").write_text(PUMP.replace("rpm", "1/min"))
    run = busplan("compare", tmp_path / "a.dbc", tmp_path / "b.dbc")
    assert run.code == 0
    assert "PumpStatus/PumpSpeed, unit: rpm > 1/min" in run.out
    told = json.loads(busplan("compare", tmp_path / "a.dbc", tmp_path / "b.dbc", "--json").out)
    assert {c["what"] for c in told["changes"]} == {"unit"}


def test_two_plans_on_the_command_line() -> None:
    run = busplan("compare", plan_file("as_bought"), plan_file("as_built"))
    assert run.code == 0  # the newer one has nothing above a note
    for words in ("- body", "cabin", "goes:", "identifier-clash", "response times"):
        assert words in run.out
    back = busplan("compare", plan_file("as_built"), plan_file("as_bought"), "--json")
    assert back.code == 2
    assert {"changes", "response_times", "loads", "new", "gone"} <= set(json.loads(back.out))


def test_one_of_each_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.dbc").write_text(PUMP)
    run = busplan("compare", plan_file("as_built"), tmp_path / "a.dbc")
    assert run.code == 3
    assert "not one of each" in run.err
