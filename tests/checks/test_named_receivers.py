"""Needs read from both ends: whom a sender names must be reached, wherever it is placed."""

from pathlib import Path

import pytest
from support.plans import PLAN, PUMP, VCU, dbc, message, signal, write_plan

from busplan.checks import run_checks
from busplan.demo.files import plan_file
from busplan.findings import Finding, Weight
from busplan.plan.change import move_node
from busplan.plan.reader import change_plan, load_plan
from busplan.plan.vehicle import Vehicle

CODE = ["receiver-out-of-reach"]
SILENT_PUMP = dbc(["PUMP"], message(0x120, "PumpStatus", "PUMP", signal("PumpSpeed", 0, 16)))
"""Its own file does not say what it listens to."""
GATE = dbc(
    ["GATE"], message(0x300, "GateOrder", "GATE", signal("PumpTarget", 0, 16), signal("Aim", 16))
)
AWAY = PLAN.replace('part = "pump"\non = ["loop"]', 'part = "pump"\non = ["main"]') + (
    '[part.gate.port.a]\ndefinitions = "gate.dbc"\n[part.gate.port.b]\ndefinitions = "gate.dbc"\n'
    '[node.gate]\npart = "gate"\non = { a = "loop", b = "main" }\n'
)
"""The pump sits on main, its command comes on loop, and gate joins the two."""


def vehicle(folder: Path, plan: str) -> Vehicle:
    return load_plan(write_plan(folder, plan, pump=SILENT_PUMP, vcu=VCU, gate=GATE))


def findings(folder: Path, plan: str) -> list[Finding]:
    return list(run_checks(vehicle(folder, plan), CODE))


def test_a_sender_names_who_needs_its_message(tmp_path: Path) -> None:
    v = vehicle(tmp_path, PLAN)
    assert [(n.node, n.message.name, n.named_by) for n in v.needs] == [
        ("vcu", "PumpStatus", ""),
        ("pump", "PumpOrder", "vcu"),
    ]
    assert not findings(tmp_path, PLAN)


def test_a_connection_that_nobody_placed_is_told_where_it_would_join_two_networks(
    tmp_path: Path,
) -> None:
    (found,) = findings(tmp_path, AWAY.replace(', b = "main"', ""))
    assert 'the connection "b" of gate is on no network' in found.action
    assert "on of [node.gate]" in found.action


def test_nobody_needs_its_own_message(tmp_path: Path) -> None:
    own = SILENT_PUMP.replace("Vector__XXX", "PUMP")
    v = load_plan(write_plan(tmp_path, PLAN, pump=own, vcu=VCU))
    assert [n.node for n in v.needs if n.message.name == "PumpStatus"] == ["vcu"]


def test_what_the_receiver_says_itself_is_not_said_twice(tmp_path: Path) -> None:
    v = load_plan(write_plan(tmp_path, PLAN, pump=PUMP, vcu=VCU))
    assert [(n.node, n.named_by) for n in v.needs] == [("pump", ""), ("vcu", "")]


def test_a_receiver_on_another_network_is_told_with_the_route_it_needs(tmp_path: Path) -> None:
    (found,) = findings(tmp_path, AWAY)
    assert found.weight is Weight.CAUTION
    assert str(found.where) == "main/pump/PumpOrder"
    assert "PumpTarget (PumpOrder) to PUMP" in found.summary
    assert found.paste[-3:] == ('from = "loop"', 'to = "main"', 'through = "gate"')


def route(*lines: str) -> str:
    head = '[[route]]\nfrom = "loop"\nto = "main"\nthrough = "gate"\n'
    return head + "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("lines", "reached"),
    [
        (['message = "PumpOrder"'], True),
        (['message = "PumpOrder"', "identifier = 0x77", 'as = "Order"'], True),
        (['signal = "PumpTarget"'], True),
        (['signal = "PumpTarget"', 'as = "Aim"'], True),
        (['signal = "PumpTarget"', 'node = "gate"'], False),
        (['message = "PumpStatus"'], False),
    ],
)
def test_routes_reach_it(tmp_path: Path, lines: list[str], reached: bool) -> None:
    assert bool(findings(tmp_path, AWAY + route(*lines))) is not reached


def test_a_way_of_two_gateways_reaches_it(tmp_path: Path) -> None:
    far = AWAY.replace('part = "pump"\non = ["main"]', 'part = "pump"\non = ["far"]') + (
        '[network.far]\nbit_rate = 250_000\n[node.next]\npart = "gate"\n'
        'on = { a = "main", b = "far" }\n'
    )
    second = '[[route]]\nmessage = "Order"\nfrom = "main"\nto = "far"\nthrough = "next"\n'
    first = route('message = "PumpOrder"', 'as = "Order"')
    assert findings(tmp_path, far + first)
    assert not findings(tmp_path, far + first + second)


def test_a_part_or_node_name_counts_like_the_name_in_a_file(tmp_path: Path) -> None:
    paper = (
        '[part.horn]\n[node.horn_2]\npart = "horn"\non = ["main"]\n[part.key]\n'
        '[[part.key.message]]\nname = "Press"\nidentifier = 1\nbytes = 1\nreceivers = ["{}"]\n'
        '[node.key]\npart = "key"\non = ["loop"]\n'
        '[[part.horn.message]]\nname = "State"\nidentifier = 2\nbytes = 1\n'
    )
    for name, heard in (("Horn_2", False), ("HORN", False), ("bell", True)):
        assert bool(findings(tmp_path, PLAN + paper.format(name))) is not heard


def test_the_demo_has_nearly_four_times_the_needs_and_as_built_serves_them_all() -> None:
    v = load_plan(plan_file("as_built"))
    own = {(n.network, n.node, n.message.identifier) for n in v.needs if not n.named_by}
    both = {(n.network, n.node, n.message.identifier) for n in v.needs}
    assert (len(own), len(both)) == (31, 119)
    assert not run_checks(v)


def test_a_pump_moved_away_from_its_own_command_is_told() -> None:
    _, after, _, _ = change_plan(plan_file("as_built"), (), [move_node("pump_2=cabin")])
    (found,) = run_checks(after, CODE)
    assert str(found.where) == "cabin/pump_2/CoolantCommand"
    assert "pump_1 on thermal can hear it" in found.summary


@pytest.mark.parametrize(("receiver", "near"), [("pmp", '; did you mean "pump"?'), ("Yellow", ".")])
def test_a_receiver_on_paper_that_nobody_is_called_is_told(
    tmp_path: Path, receiver: str, near: str
) -> None:
    """A DBC file is somebody else's and may name whom it likes."""
    told = "[[part.relay.message]]\nname = 'Relay'\nidentifier = 0x700\nbytes = 1\n"
    relay = f'[part.relay]\n{told}[node.relay]\npart = "relay"\non = ["loop"]\n'

    def unknown(name: str) -> list[Finding]:
        receivers = f"receivers = ['{name}']\n"
        plan = PLAN + relay.replace("[node.relay]", f"{receivers}[node.relay]")
        return list(run_checks(vehicle(tmp_path, plan), ["receiver-unknown"]))

    (note,) = unknown(receiver)
    assert note.weight is Weight.NOTE
    assert note.summary.endswith(f"no node or part is called so{near}")
    assert note.where.line is not None
    assert unknown("Pump") == unknown("vcu") == []
    foreign = SILENT_PUMP.replace("Vector__XXX", "STRANGER")
    assert "STRANGER" in foreign
    (tmp_path / "pump.dbc").write_text(foreign)
    assert not run_checks(load_plan(tmp_path / "plan.toml"), ["receiver-unknown"])
