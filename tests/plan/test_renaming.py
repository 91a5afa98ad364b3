"""Routes that rename, convert and pace; identifiers of single messages."""

from pathlib import Path

import pytest
from support.plans import PLAN, PUMP, VCU, dbc, message, signal, write_plan

from busplan.checks import run_checks
from busplan.definitions.model import Origin
from busplan.errors import PlanError
from busplan.plan.change import Change, drop_node, move_node, set_value
from busplan.plan.reader import change_plan, load_plan
from busplan.plan.vehicle import Stream, Vehicle

GATE = dbc(
    ["GATE"],
    message(0x7A0, "GateLive", "GATE", signal("GateUp")),
    message(0x7A1, "GateSums", "GATE", signal("SpeedOne", 0, 16), signal("SpeedTwo", 16, 16)),
    cycles={0x7A0: 1000, 0x7A1: 50},
)
NODES = (
    '[part.gate.port.a]\ndefinitions = "gate.dbc"\n[part.gate.port.b]\n'
    '[[part.gate.port.b.message]]\nname = "GateSums"\nidentifier = 0x7A1\nbytes = 4\n'
    'cycle_ms = 50\nsignal = [ { name = "SpeedOne", start = 0, length = 16, scale = 0.5 }, '
    '{ name = "SpeedTwo", start = 16, length = 16, scale = 0.5 } ]\n'
    '[node.gate]\npart = "gate"\non = { a = "loop", b = "main" }\n'
    '[node.pump_2]\npart = "pump"\non = ["loop"]\nidentifier_offset = 0x10\n'
)


def route(*lines: str) -> str:
    head = '[[route]]\nfrom = "loop"\nto = "main"\nthrough = "gate"\ndelay_ms = 2\n'
    return head + "\n".join(lines) + "\n"


def vehicle(folder: Path, *tables: str) -> Vehicle:
    plan = PLAN + NODES + "".join(tables)
    return load_plan(write_plan(folder, plan, pump=PUMP, vcu=VCU, gate=GATE))


def carried(v: Vehicle) -> list[Stream]:
    return [s for s in v.streams if s.via is not None]


def test_identical_parts_are_told_apart_behind_a_gateway(tmp_path: Path) -> None:
    one = route('message = "PumpStatus"', 'node = "pump"')
    two = route(
        'message = "PumpStatus"', 'node = "pump_2"', "identifier = 0x2A0", 'as = "Pump2Status"'
    )
    v = vehicle(tmp_path, one, two)
    assert [(s.label, s.message.label, s.sent_by) for s in carried(v)] == [
        ("main/gate/PumpStatus", "0x120", "arrival"),
        ("main/gate/Pump2Status", "0x2A0", "arrival"),
    ]
    assert [s.address("PumpSpeed").message for s in carried(v)] == ["PumpStatus", "Pump2Status"]
    assert len({r.name for r in v.routes}) == 2
    assert not [f for f in run_checks(v) if f.weight and f.code != "route-missing"]


def test_a_moved_identifier_has_the_width_it_needs(tmp_path: Path) -> None:
    for stated, label in (
        ("identifier = 0x18FF0180", "0x18FF0180"),
        ("identifier = 0x180\nextended = true", "0x00000180"),
    ):
        v = vehicle(tmp_path, route('message = "PumpStatus"', 'node = "pump"', stated))
        assert [s.message.label for s in carried(v)] == [label]


def test_a_j1939_network_reads_the_fields_of_a_moved_identifier(tmp_path: Path) -> None:
    plan = PLAN.replace("[network.main]", "[network.main]\nj1939 = true") + NODES
    plan += route('message = "PumpStatus"', 'node = "pump"', "identifier = 0x18FF0180")
    v = load_plan(write_plan(tmp_path, plan, pump=PUMP, vcu=VCU, gate=GATE))
    (sent,) = carried(v)
    assert sent.message.j1939 is not None
    assert (sent.message.j1939.pgn, sent.message.j1939.source) == (0xFF01, 0x80)


def test_a_gateway_sends_its_own_message_on_another_port(tmp_path: Path) -> None:
    timing = '[message."loop/GateLive"]\ncycle_ms = 400\njitter_ms = 3\n'
    (sent,) = carried(vehicle(tmp_path, route('message = "GateLive"'), timing))
    assert (sent.label, sent.sent_by, sent.own) == ("main/gate/GateLive", "copy", True)
    assert sent.cycle is not None
    assert (sent.cycle.ms, sent.jitter_ns) == (400, 3_000_000)
    v = vehicle(tmp_path, route('message = "GateLive"'), timing)
    assert not [f for f in run_checks(v) if f.code == "route-carries-nothing"]


@pytest.mark.parametrize(
    ("line", "cycle_ms", "event", "sent_by"),
    [
        ("cycle_ms = 250", 250, False, "timer"),
        ("min_distance_ms = 30", 30, True, "timer"),
        ("on_change = true", 100, True, "arrival"),
        ("", 100, False, "arrival"),
    ],
)
def test_a_route_states_how_the_gateway_sends(
    tmp_path: Path, line: str, cycle_ms: float, event: bool, sent_by: str
) -> None:
    (sent,) = carried(vehicle(tmp_path, route('message = "PumpStatus"', 'node = "pump"', line)))
    assert sent.cycle is not None
    assert (sent.cycle.ms, sent.event, sent.sent_by) == (cycle_ms, event, sent_by)
    assert sent.deadline == sent.cycle


def test_signals_of_several_messages_go_into_one(tmp_path: Path) -> None:
    sums = [
        route(
            'signal = "PumpSpeed"',
            f'node = "{node}"',
            f'as = "{name}"',
            'into = "GateSums"',
            "scale = 0.5",
            "offset = 0",
            "timeout_ms = 500",
            "timeout_value = 0",
        )
        for node, name in (("pump", "SpeedOne"), ("pump_2", "SpeedTwo"))
    ]
    v = vehicle(tmp_path, *sums)
    assert [(r.arrives_as, r.scale, r.offset, r.timeout_value) for r in v.routes] == [
        ("SpeedOne", 0.5, 0, 0),
        ("SpeedTwo", 0.5, 0, 0),
    ]
    assert [f.code for f in run_checks(v) if f.code.startswith("route")] == []
    both = "".join(sums).replace("SpeedTwo", "SpeedOne")
    assert "route-sources-mixed" in {f.code for f in run_checks(vehicle(tmp_path, both))}


def test_a_renamed_message_goes_on_under_its_new_name(tmp_path: Path) -> None:
    more = (
        '[network.far]\nbit_rate = 250_000\n[part.far.port.a]\ndefinitions = "gate.dbc"\n'
        '[part.far.port.b]\ndefinitions = "gate.dbc"\n'
        '[node.far]\npart = "far"\non = { a = "main", b = "far" }\n'
        '[[route]]\nmessage = "Other"\nfrom = "main"\nto = "far"\nthrough = "far"\n'
    )
    first = route('message = "PumpStatus"', 'node = "pump"', 'as = "Other"', "identifier = 0x10")
    v = vehicle(tmp_path, first, more)
    assert [s.label for s in carried(v)] == ["main/gate/Other", "far/far/Other"]
    assert {s.message.label for s in carried(v)} == {"0x010"}


@pytest.mark.parametrize("change", [drop_node("pump_2"), move_node("pump_2=main")])
def test_what_is_carried_for_a_node_goes_with_it(tmp_path: Path, change: Change) -> None:
    two = route('message = "PumpStatus"', 'node = "pump_2"', "identifier = 0x2A0", 'as = "Two"')
    plan = PLAN + NODES + route('message = "PumpStatus"', 'node = "pump"') + two
    path = write_plan(tmp_path, plan, pump=PUMP, vcu=VCU, gate=GATE)
    _, after, told, _ = change_plan(path, [set_value("route.Two.delay_ms=3")], [change])
    assert [r.node for r in after.routes] == ["pump"]
    assert any("PumpStatus loop to main" in line for line in told)


FREE = '[message."loop/vcu/PumpOrder"]\nidentifier = 0x151\n'


def test_a_single_message_gets_an_identifier_where_the_part_allows_it(tmp_path: Path) -> None:
    v = vehicle(tmp_path, FREE, '[message."loop/pump/PumpStatus"]\nidentifier = 0x130\n')
    sent = {s.label: s.message.label for s in v.streams}
    assert sent["loop/vcu/PumpOrder"] == "0x151"
    assert sent["loop/pump/PumpStatus"] == "0x130"
    assert sent["loop/pump_2/PumpStatus"] == "0x130"
    codes = [f.code for f in run_checks(v)]
    assert "identical-parts-clash" in codes
    assert "identifier-moved" in codes


def test_an_identifier_that_is_moved_follows_through_a_gateway(tmp_path: Path) -> None:
    (sent,) = carried(vehicle(tmp_path, FREE, route('message = "PumpOrder"')))
    assert (sent.message.label, sent.cycle and sent.cycle.origin) == ("0x151", Origin.DEFINITION)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('[message."loop/pump/PumpStatus"]\nidentifier = 0x121\n', "0x120, 0x130"),
        ('[message."loop/PumpStatus"]\nidentifier = 0x130\n', "one for 2 messages"),
        ('[message."loop/vcu/PumpOrder"]\nidentifier = 0x800\n', "11 bits"),
        ('[message."loop/gate/GateLive"]\nidentifier = 0x7B0\n', "fixed identifiers"),
        ("[message.PumpOrder]\nidentifier = 0x151\n", "NETWORK/NODE/MESSAGE"),
        (
            route('message = "PumpOrder"')
            + '[message."main/gate/PumpOrder"]\nidentifier = 0x151\n',
            "state it in the [[route]]",
        ),
        (route('message = "PumpStatus"', "scale = 2"), "routes of signals"),
        (route('signal = "PumpSpeed"', "cycle_ms = 10"), "the gateway's message"),
        (route('signal = "PumpSpeed"', 'as = "Speeed"'), "no signal"),
        (route('signal = "PumpSpeed"', 'into = "Sums"'), 'did you mean "GateSums"'),
        (route('signal = "PumpSpeed"', 'into = "Xyzzy"'), '" that gate sends on main; there '),
        (route('signal = "PumpSpeed"', "timeout_ms = 10"), "go together"),
        (route('signal = "PumpSpeed"', "scale = 0"), "not 0"),
        (route('message = "PumpStatus"', 'node = "pmp"'), "no node"),
        (route('message = "PumpStatus"', "cycle_ms = 9\non_change = true"), "one of them"),
        (route('message = "PumpStatus"', "identifier = 0x800\nextended = false"), "11 bits"),
        (route('message = "PumpStatus"', "extended = true"), "goes with an identifier"),
    ],
)
def test_what_does_not_fit_is_told(tmp_path: Path, table: str, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        vehicle(tmp_path, table)
    (problem,) = caught.value.problems
    assert words in problem.text
    assert problem.line is not None
