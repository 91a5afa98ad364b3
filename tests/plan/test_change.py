"""Changes to a plan: what they do to its document, and that the rest of the plan follows."""

import re
from pathlib import Path

import pytest
from support.plans import PLAN, PUMP, VCU, dbc, message, signal, write_plan

from busplan.errors import PlanError, UsageError
from busplan.plan.change import (
    Change,
    drop_node,
    move_node,
    set_bit_rate,
    set_offsets,
    set_value,
)
from busplan.plan.reader import change_plan, load_plan
from busplan.plan.vehicle import Vehicle

GATE = dbc(["GATE"], message(0x7A0, "GateLive", "GATE", signal("GateUp")))
FULL = PLAN + (
    '[part.gate.port.loop]\ndefinitions = "gate.dbc"\n[part.gate.port.main]\n'
    'definitions = "gate.dbc"\n[node.gate]\npart = "gate"\non = ["loop", "main"]\n'
    '[[route]]\nmessage = "PumpStatus"\nfrom = "loop"\nto = "main"\nthrough = "gate"\n'
    '[message."loop/PumpStatus"]\ncycle_ms = 25\n'
    "[network.loop.cable]\nstubs_m = { pump = 0.5, vcu = 0.25 }\n"
    "[network.main.cable]\ntrunk_m = 3\n"
    "[network.spare]\nbit_rate = 125_000\n"
    '[pack]\nchemistry = "LFP"\n[[pack.enclosure]]\nname = "A"\nnode = "pump"\nmodules = ["M"]\n'
    'cells_per_module = 1\ncells = ["PumpSpeed"]\n'
    '[pack.quantities]\ncurrent = "loop/*/PumpSpeed"\n'
)


def change(folder: Path, *changes: Change) -> tuple[Vehicle, tuple[str, ...]]:
    path = write_plan(folder, FULL, pump=PUMP, vcu=VCU, gate=GATE)
    before, after, told, _ = change_plan(path, changes)
    assert before == load_plan(path)
    assert path.read_text("utf-8") == FULL
    return after, told


def labels(vehicle: Vehicle, name: str) -> list[str]:
    return [s.label for s in vehicle.streams if s.message.name == name]


def test_nothing_changed_is_the_same_vehicle(tmp_path: Path) -> None:
    after, told = change(tmp_path)
    assert after == load_plan(tmp_path / "plan.toml")
    assert told == ()


def test_a_value(tmp_path: Path) -> None:
    after, _ = change(
        tmp_path, set_value("node.pump.identifier_offset=0x10"), set_value("part.pump.queue=fifo")
    )
    assert after.nodes["pump"].identifier_offset == 0x10
    assert after.parts["pump"].queue == "fifo"
    assert after.on("loop")[0].message.identifier == 0x130


def test_an_entry_of_a_list_by_name_by_number_and_a_new_one(tmp_path: Path) -> None:
    after, _ = change(
        tmp_path,
        set_value("route.PumpStatus.delay_ms=2"),
        set_value("route.1.deadline_ms=50"),
        set_value("pack.enclosure.A.modules=['N']"),
        set_value("route.new={message='PumpOrder', from='loop', to='main', through='gate'}"),
    )
    assert [(r.what, r.delay_ns, r.deadline_ns) for r in after.routes] == [
        ("PumpStatus", 2_000_000, 50_000_000),
        ("PumpOrder", 0, None),
    ]
    assert labels(after, "PumpOrder") == ["loop/vcu/PumpOrder", "main/gate/PumpOrder"]
    assert after.pack is not None
    assert after.pack.modules == ("N",)


@pytest.mark.parametrize(
    ("assignment", "words"),
    [
        ("route.PumpState.delay_ms=2", 'did you mean "PumpStatus"'),
        ("route.7.delay_ms=2", "numbers 1 to 1"),
        ("route.delay_ms=2", "route.delay_ms.KEY=VALUE"),
        ("pack.enclosure.B.node='vcu'", 'no entry "B"'),
        ("network.loop.channels.x=1", "set it as a whole"),
    ],
)
def test_an_entry_that_is_none(tmp_path: Path, assignment: str, words: str) -> None:
    with pytest.raises(UsageError, match=re.escape(words)):
        change(tmp_path, set_value(assignment))


def test_a_name_of_several_entries(tmp_path: Path) -> None:
    again = "route.new={message='PumpStatus', from='main', to='loop', through='gate'}"
    with pytest.raises(UsageError, match=r"route\.1 \(loop to main\) or route\.2 \(main to loop\)"):
        change(tmp_path, set_value(again), set_value("route.PumpStatus.delay_ms=2"))


def test_a_quoted_key(tmp_path: Path) -> None:
    after, _ = change(tmp_path, set_value('message."loop/PumpStatus".cycle_ms=40'))
    (stream,) = [s for s in after.on("loop") if s.message.name == "PumpStatus"]
    assert stream.cycle is not None
    assert stream.cycle.ms == 40


def test_bit_rates(tmp_path: Path) -> None:
    after, _ = change(tmp_path, set_bit_rate("loop=125000"), set_bit_rate("main=500000/2000000"))
    assert after.networks["loop"].bit_rate == 125_000
    assert after.networks["main"].data_bit_rate == 2_000_000


def test_moving_takes_stub_timing_and_quantities_along(tmp_path: Path) -> None:
    after, told = change(tmp_path, move_node("pump=main"))
    assert labels(after, "PumpStatus") == ["main/pump/PumpStatus"]
    stream = next(s for s in after.on("main") if s.node == "pump")
    assert stream.cycle is not None
    assert stream.cycle.ms == 25
    cables = {n: after.networks[n].cable for n in ("loop", "main")}
    assert cables["loop"] is not None
    assert cables["main"] is not None
    assert dict(cables["loop"].stubs_m) == {"vcu": 0.25}
    assert dict(cables["main"].stubs_m) == {"pump": 0.5}
    assert after.pack is not None
    assert after.pack.quantities["current"].network == "main"
    assert told == ()


def test_moving_one_port_of_a_gateway_drops_its_routes(tmp_path: Path) -> None:
    after, told = change(tmp_path, move_node("gate/main=spare"))
    assert list(after.nodes["gate"].on) == ["loop", "spare"]
    assert after.routes == ()
    assert told == (
        "gate is not on main any more, so these routes are left out: PumpStatus loop to main",
    )


def test_dropping_takes_all_that_is_its_own(tmp_path: Path) -> None:
    after, told = change(tmp_path, drop_node("pump"))
    assert "pump" not in after.nodes
    assert labels(after, "PumpStatus") == []
    assert after.pack is None
    assert told == ("the pack is left without the cells that pump measures",)


def test_a_new_network_can_be_made_and_moved_to(tmp_path: Path) -> None:
    path = write_plan(tmp_path, FULL, pump=PUMP, vcu=VCU, gate=GATE)
    values = [set_value("network.new.bit_rate=250000")]
    _, after, _, _ = change_plan(path, values, [move_node("vcu=new"), drop_node("gate")])
    assert [n.name for n in after.nodes_on("new")] == ["vcu"]


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: move_node("pump=mian"), 'no network "mian"; did you mean "main"'),
        (lambda: move_node("pmp=main"), 'no node "pmp"; did you mean "pump"'),
        (lambda: move_node("gate=spare"), "say which it leaves"),
        (lambda: move_node("gate/man=spare"), 'did you mean "main"'),
        (lambda: move_node("pump"), "NODE=NETWORK"),
        (lambda: drop_node("valve"), 'no node "valve"'),
        (lambda: set_bit_rate("lop=1"), 'did you mean "loop"'),
        (lambda: set_bit_rate("loop=fast"), "no bit rate"),
        (lambda: set_bit_rate("loop=1/2/3"), "no bit rate"),
        (lambda: set_value("nonsense"), "KEY=VALUE"),
        (lambda: set_value("=3"), "KEY=VALUE"),
        (lambda: set_value("node.pumpp.identifier_offset=0"), '"pumpp"; did you mean "pump"?'),
        (lambda: set_value("network.mian.load_limit=0.3"), "a new one needs bit_rate"),
        (lambda: set_value('part.valve.identifiers="free"'), "definitions or message or port"),
    ],
)
def test_what_cannot_be(tmp_path: Path, make: "object", words: str) -> None:
    assert callable(make)
    with pytest.raises(UsageError) as caught:
        change(tmp_path, make())
    assert words in str(caught.value)


def test_a_broken_value_is_told_before_a_node_is_moved(tmp_path: Path) -> None:
    path = write_plan(tmp_path, FULL, pump=PUMP, vcu=VCU, gate=GATE)
    for value in ("node.vcu=3", "node.vcu.on=3", "network=3"):
        with pytest.raises(PlanError, match="as changed"):
            change_plan(path, [set_value(value)], [move_node("vcu=main")])


@pytest.mark.parametrize("text", ["node.pump.part=nothing", "network.loop=3", "sections=1"])
def test_a_change_that_breaks_the_plan_is_told_as_such(tmp_path: Path, text: str) -> None:
    with pytest.raises(PlanError, match="as changed"):
        change(tmp_path, set_value(text))


def test_send_offsets_move_with_their_node_and_are_set_under_one_name(tmp_path: Path) -> None:
    path = write_plan(
        tmp_path,
        FULL + '[node.pump.offsets]\n"loop/PumpStatus" = 3\n',
        pump=PUMP,
        vcu=VCU,
        gate=GATE,
    )
    after = change_plan(path, [set_offsets({"pump": {"PumpStatus": 4.5}})]).after
    assert [s.offset_ns for s in after.streams if s.node == "pump"] == [4_500_000]
    moved = change_plan(path, [], [move_node("pump=spare")]).after
    (stream,) = (s for s in moved.streams if s.node == "pump")
    assert (stream.network, stream.offset_ns) == ("spare", 3_000_000)
