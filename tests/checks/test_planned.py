"""Checks over plans with their definition files: each mistake yields its own finding."""

import json
from pathlib import Path

import pytest
from support.command import busplan
from support.plan_findings import findings, only
from support.plans import PLAN, PUMP, VCU, dbc, message, signal, write_plan

from busplan.checks import run_checks
from busplan.decode.series import decode_table
from busplan.findings import Finding, Weight
from busplan.plan.reader import load_plan
from busplan.timing.gateways import vehicle_timing
from busplan.timing.simulation import simulate
from busplan.timing.simulation_feeds import feeds_of


def test_the_plan_itself_is_clean(tmp_path: Path) -> None:
    assert findings(tmp_path) == []


def test_bit_rate(tmp_path: Path) -> None:
    plan = PLAN.replace('"free"', '"free"\nbit_rates = [500_000]')
    finding = only(findings(tmp_path, plan), "bit-rate")
    assert finding.weight is Weight.FAULT
    assert "500 kbit/s, but loop runs at 250 kbit/s" in finding.summary
    assert "(main)" in finding.action
    assert finding.action.endswith(
        "run loop at 500 kbit/s, which all its nodes speak that state any."
    )
    both = plan.replace('sender = "PUMP"', 'sender = "PUMP"\nbit_rates = [125_000]')
    (one, _) = [f for f in findings(tmp_path, both) if f.code == "bit-rate"]
    assert one.action.endswith("; no bit rate is spoken by all nodes of loop.")


def test_a_part_not_known_to_take_can_fd_is_not_sent_to_such_a_network(tmp_path: Path) -> None:
    plan = PLAN.replace('"free"', '"free"\nbit_rates = [500_000]')
    plan = plan.replace("= 500_000\n[part", "= 500_000\ndata_bit_rate = 2_000_000\n[part")
    (found,) = [f for f in findings(tmp_path, plan) if f.code == "bit-rate"]
    assert found.action.startswith("Give it a network of its own")


def test_a_node_is_not_sent_to_a_network_where_it_is_already(tmp_path: Path) -> None:
    """Only the port on the other network speaks that network's rate."""
    text = """
[network.loop]
bit_rate = 250_000
[network.main]
bit_rate = 500_000
[part.gate]
port.a = { message = [], bit_rates = [500_000] }
port.b = { message = [], bit_rates = [500_000] }
[node.gate]
part = "gate"
on = { a = "loop", b = "main" }
"""
    (told,) = [f for f in findings(tmp_path, text) if f.code == "bit-rate"]
    assert told.action == (
        "Give it a network of its own, or run loop at 500 kbit/s, which all its nodes speak."
    )


GATE_PART = 'part = "gate"\non = { a = "loop", b = "main" }'
CARRY = """
[part.gate]
port.a = { message = [] }
port.b = { message = [] }
[[route]]
message = "PumpStatus"
from = "loop"
to = "main"
through = "gate"
"""
FD_PLAN = PLAN.replace("250_000", "250_000\ndata_bit_rate = 2_000_000")


def test_data_bit_rate(tmp_path: Path) -> None:
    plan = FD_PLAN.replace('"free"', '"free"\ndata_bit_rates = [4_000_000]')
    codes = {f.code for f in findings(tmp_path, plan)}
    assert codes == {"data-bit-rate", "not-fd"}


def test_message_too_long(tmp_path: Path) -> None:
    long = PUMP.replace("PumpStatus: 8", "PumpStatus: 12")
    found = [f for f in findings(tmp_path, pump=long) if f.code == "message-too-long"]
    assert "12 bytes" in found[0].summary
    assert "carries 8" in found[0].summary


def test_a_message_that_the_plan_calls_segmented_is_sent_in_parts(tmp_path: Path) -> None:
    # First frame 6 bytes, one more of 7, flow control: ISO 15765-2, from memory.
    long = PUMP.replace("PumpStatus: 8", "PumpStatus: 12")
    plan = PLAN + '[message."loop/PumpStatus"]\nsegmented = "normal"\n'
    found = findings(tmp_path, plan, pump=long)
    assert {f.code for f in found} & {"message-too-long", "definition-odd-length"} == set()
    (note,) = [f for f in found if f.code == "sent-in-parts"]
    assert note.weight is Weight.NOTE
    assert "12 bytes" in note.summary
    assert "3 frames each time" in note.summary
    assert "ISO 15765-2" in note.summary


def test_long_messages_of_a_j1939_network_need_no_attribute_in_their_file(tmp_path: Path) -> None:
    def odd(plan: str, length: int) -> list[Finding]:
        pump = PUMP.replace("BO_ 288 PumpStatus: 8", f"BO_ {0x98FECA01} PumpStatus: {length}")
        pump = pump.replace(" 288 ", f" {0x98FECA01} ")
        path = write_plan(tmp_path, plan, pump=pump, vcu=VCU)
        codes = {"definition-odd-length", "message-too-long", "sent-in-parts"}
        return [f for f in run_checks(load_plan(path)) if f.code in codes]

    plan = PLAN.replace("250_000", "250_000\nj1939 = true")
    (note,) = odd(plan, 1785)
    assert (note.code, note.figures[1].value) == ("sent-in-parts", 256)
    assert {f.code for f in odd(PLAN, 1785)} == {"definition-odd-length", "message-too-long"}


def test_fd_on_a_classical_network(tmp_path: Path) -> None:
    fd = PUMP + (
        'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","r2","r3","r4","r5","r6","r7",'
        '"r8","r9","r10","r11","r12","r13","StandardCAN_FD";\n'
        'BA_DEF_DEF_ "VFrameFormat" "StandardCAN";\n'
        'BA_ "VFrameFormat" BO_ 288 14;\n'
    )
    (own,) = [f for f in findings(tmp_path, pump=fd) if f.code == "fd-on-classical"]
    assert own.action.endswith("or move pump to a CAN FD network.")
    carried = FD_PLAN.replace('on = ["loop"]\n[node.vcu]', 'on = ["loop"]\n[node.gate]')
    carried = carried.replace('part = "vcu"\non = ["loop"]', GATE_PART) + CARRY
    (found,) = [f for f in findings(tmp_path, carried, pump=fd) if f.code == "fd-on-classical"]
    assert found.where.network == "main"
    assert "gate passes on PumpStatus" in found.summary
    assert "move gate" not in found.action


MAIN = dbc(
    ["METER", "PUMP"],
    message(0x120, "PumpStatus", "PUMP", signal("PumpSpeed", 0, 16, unit="rpm", to="METER")),
    message(0x300, "MeterLive", "METER", signal("Live")),
    cycles={0x300: 100},
)
TWO_NETWORKS = PLAN + (
    '[part.meter]\ndefinitions = "meter.dbc"\nsender = "METER"\n[node.meter]\npart = "meter"\n'
    'on = ["main"]\n'
)


def test_route_missing_without_a_gateway(tmp_path: Path) -> None:
    found = findings(tmp_path, TWO_NETWORKS, meter=MAIN)
    finding = only(found, "route-missing")
    assert "PumpSpeed" in finding.summary
    assert "place a gateway" in finding.action


GATEWAY = (
    '[part.gate.port.a]\ndefinitions = "gate.dbc"\n[part.gate.port.b]\ndefinitions = "gate.dbc"\n'
    '[node.gate]\npart = "gate"\non = { a = "loop", b = "main" }\n'
)
GATE = dbc(["GATE"], message(0x7A0, "GateLive", "GATE", signal("GateUp")), cycles={0x7A0: 1000})
ROUTE = (
    '[[route]]\nmessage = "PumpStatus"\nfrom = "loop"\nto = "main"\nthrough = "gate"\n'
    "delay_ms = 2.5\n"
)


def test_a_gateway_may_send_nothing_of_its_own(tmp_path: Path) -> None:
    """What it takes for a route is work enough; without the route it has none on either side."""
    bare = GATEWAY.replace('definitions = "gate.dbc"', "message = []")
    assert findings(tmp_path, TWO_NETWORKS + bare + ROUTE, meter=MAIN) == []
    found = findings(tmp_path, TWO_NETWORKS + bare, meter=MAIN)
    codes = sorted(f.code for f in found)
    assert codes == ["node-without-messages", "node-without-messages", "route-missing"]


def test_route_missing_names_the_gateway_and_its_remedy_helps(tmp_path: Path) -> None:
    found = findings(tmp_path, TWO_NETWORKS + GATEWAY, meter=MAIN, gate=GATE)
    finding = only(found, "route-missing")
    assert 'through = "gate"' in finding.paste
    assert findings(tmp_path, TWO_NETWORKS + GATEWAY + ROUTE, meter=MAIN, gate=GATE) == []


FAR = (
    PLAN
    + """
[network.'far"\\net']
bit_rate = 250_000
[network.between]
bit_rate = 250_000
[part.meter]
definitions = "meter.dbc"
sender = "METER"
[node.meter]
part = "meter"
on = ['far"\\net']
[part.gate.port.a]
definitions = "gate.dbc"
[part.gate.port.b]
definitions = "gate.dbc"
[node.gate]
part = "gate"
on = { a = "loop", b = "between" }
[node.gate2]
part = "gate"
on = { a = "between", b = 'far"\\net' }
"""
)


def test_what_is_printed_of_missing_routes_can_be_pasted_as_it_is(tmp_path: Path) -> None:
    """Two gateways on the way, signs that TOML escapes, as printed and as JSON."""
    files = {"pump": PUMP, "vcu": VCU, "meter": MAIN, "gate": GATE}
    path = write_plan(tmp_path, FAR, **files)
    printed = busplan("check", path, "--code", "route-missing").out.splitlines()
    begin = next(i for i, line in enumerate(printed) if line.strip() == "[[route]]")
    assert printed[begin - 1].strip() == "do:  Put these at the end of the plan:"
    end = next(i for i in range(begin, len(printed) + 1) if not "".join(printed[i : i + 1]).strip())
    told = json.loads(busplan("check", path, "--code", "route-missing", "--json").out)
    (finding,) = told["findings"]
    for pasted in (printed[begin:end], finding["paste"]):
        assert len([line for line in pasted if line.strip() == "[[route]]"]) == 2
        path = write_plan(tmp_path, FAR + "\n".join(pasted) + "\n", **files)
        again = busplan("check", path, "--json")
        assert again.code != 3, again.err
        assert "route-missing" not in {f["code"] for f in json.loads(again.out)["findings"]}


def test_a_forwarded_message_is_a_stream_of_the_gateway(tmp_path: Path) -> None:
    path = write_plan(
        tmp_path, TWO_NETWORKS + GATEWAY + ROUTE, pump=PUMP, vcu=VCU, meter=MAIN, gate=GATE
    )
    vehicle = load_plan(path)
    (passed,) = [s for s in vehicle.streams if s.via is not None]
    assert passed.label == "main/gate/PumpStatus"
    assert passed.cycle is not None
    assert (passed.cycle.ms, passed.cycle.origin) == (100, "definition")
    assert vehicle.routes[0].delay_ns == 2_500_000


def test_a_route_carries_every_message_of_its_name(tmp_path: Path) -> None:
    # Two pumps of one part, the second with its identifiers moved, behind one gateway.
    second = '[node.pump_2]\npart = "pump"\non = ["loop"]\nidentifier_offset = 0x10\n'
    plan = TWO_NETWORKS + GATEWAY + second + ROUTE
    slow = '[message."main/gate/PumpStatus"]\njitter_ms = 3\n'
    path = write_plan(tmp_path, plan + slow, pump=PUMP, vcu=VCU, meter=MAIN, gate=GATE)
    vehicle = load_plan(path)
    passed = [s for s in vehicle.streams if s.via is not None]
    assert [(s.message.identifier, s.jitter_ns) for s in passed] == [(0x120, 3e6), (0x130, 3e6)]
    assert [str(s.address("PumpSpeed")) for s in passed] == [
        "main/gate/PumpStatus@0x120/PumpSpeed",
        "main/gate/PumpStatus@0x130/PumpSpeed",
    ]
    # Each follows its own source, in time and in the simulation.
    timing = vehicle_timing(vehicle)
    assert [timing.by_label[s.label].stream for s in passed] == passed
    assert [f.forwards for f in feeds_of(vehicle, 10**9) if f.stream in passed] == [
        "loop/pump/PumpStatus",
        "loop/pump_2/PumpStatus",
    ]
    frames = simulate(list(vehicle.networks.values()), feeds_of(vehicle, 10**9)).frames()
    decoded = decode_table(frames, vehicle, [s.address("PumpSpeed") for s in passed])
    counts = decoded.groupby("message").size().to_dict()
    assert counts == {"PumpStatus@0x120": 10, "PumpStatus@0x130": 10}
    # A gateway whose own definitions hold the message carries it as they say.
    own = dbc(["GATE"], message(0x301, "PumpStatus", "GATE", signal("PumpSpeed", 0, 16)))
    (tmp_path / "gate.dbc").write_text(own, "utf-8")
    assert not [s for s in load_plan(path).streams if s.via is not None]


def test_a_message_route_that_carries_nothing(tmp_path: Path) -> None:
    route = ROUTE.replace("PumpStatus", "MeterLive")
    found = findings(tmp_path, TWO_NETWORKS + GATEWAY + route, meter=MAIN, gate=GATE)
    codes = [f.code for f in found]
    assert sorted(codes) == ["route-carries-nothing", "route-missing"]


def test_a_signal_route_needs_a_message_to_travel_on(tmp_path: Path) -> None:
    route = ROUTE.replace('message = "PumpStatus"', 'signal = "PumpTarget"')
    found = findings(tmp_path, TWO_NETWORKS + GATEWAY + route, meter=MAIN, gate=GATE)
    finding = next(f for f in found if f.code == "route-carries-nothing")
    assert "no message that gate sends on main holds PumpTarget" in finding.summary
    assert finding.where.line == len((TWO_NETWORKS + GATEWAY).splitlines()) + 1


def test_a_moved_sender(tmp_path: Path) -> None:
    plan = PLAN.replace('on = ["loop"]', 'on = ["loop"]\nidentifier_offset = 0x10', 1)
    assert findings(tmp_path, plan) == []  # a note: the identifiers of vcu are free
    finding = only(findings(tmp_path, plan.replace('"free"', '"fixed"')), "identifier-moved")
    assert "expects PumpStatus as 0x120; pump sends it as 0x130" in finding.summary


def test_a_second_part_of_a_kind_that_its_receiver_does_not_know(tmp_path: Path) -> None:
    """The definitions of vcu hold 0x120 only, so 0x130 never gets to it."""
    second = '[node.pump_2]\npart = "pump"\non = ["loop"]\nidentifier_offset = 0x10\n'
    plan = PLAN + second
    assert findings(tmp_path, plan) == []  # a note: the identifiers of vcu are free
    (note,) = run_checks(load_plan(tmp_path / "plan.toml"), ["identifier-moved"])
    assert note.weight is Weight.NOTE
    assert "vcu expects PumpStatus as 0x120, as pump sends it on loop" in note.summary
    assert note.summary.endswith("it does not know 0x130 of pump_2.")
    fixed = plan.replace('"free"', '"fixed"')
    assert "0x130 of pump_2" in only(findings(tmp_path, fixed), "identifier-moved").summary
    # With both in its definitions nothing is amiss, nor where they are on another network.
    speeds = [signal("PumpSpeed", 0, 16, unit="rpm", to="VCU")]
    order = message(0x150, "PumpOrder", "VCU", signal("PumpTarget", 0, 16, unit="rpm", to="PUMP"))
    told = [message(0x120, "PumpStatus", "PUMP", *speeds), message(0x130, "Two", "PUMP", *speeds)]
    both = dbc(["VCU", "PUMP"], order, *told, cycles={0x150: 50})
    assert "identifier-moved" not in {f.code for f in findings(tmp_path, fixed, vcu=both)}
    apart = fixed.replace(second, second.replace("loop", "main"))
    assert "identifier-moved" not in {f.code for f in findings(tmp_path, apart)}


def test_a_node_without_messages(tmp_path: Path) -> None:
    stray = dbc(["STRAY", "OTHER"], message(0x500, "Strange", "OTHER", signal("S", to="STRAY")))
    plan = PLAN + (
        '[part.stray]\ndefinitions = "stray.dbc"\nsender = "STRAY"\n[node.stray]\npart = "stray"\n'
        'on = ["loop"]\n'
    )
    found = findings(tmp_path, plan, stray=stray)
    assert [f.code for f in found] == ["node-without-messages", "sender-missing"]


def test_a_part_of_which_nothing_is_known_is_not_told_to_mend_its_definitions(
    tmp_path: Path,
) -> None:
    plan = PLAN + '[part.horn]\nmessage = []\n[node.horn]\npart = "horn"\non = ["loop"]\n'
    finding = only(findings(tmp_path, plan), "node-without-messages")
    assert "the part horn has no definition file" in finding.summary
    assert "[[part.horn.message]]" in finding.action
    named = plan + (
        '[part.relay]\n[[part.relay.message]]\nname = "Relay"\nidentifier = 0x3A0\nbytes = 2\n'
        'cycle_ms = 200\nreceivers = ["horn"]\n[node.relay]\npart = "relay"\non = ["loop"]\n'
    )
    assert "node-without-messages" not in {f.code for f in findings(tmp_path, named)}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("(1,0)", "(0.5,0)", "PumpSpeed has scale 0.5 sent, 1 expected"),
        ("0|16@1+", "0|16@1-", "PumpSpeed has sign true sent, false expected"),
        ("rpm", "Hz", 'PumpSpeed has unit "Hz" sent, "rpm" expected'),
        ("PumpStatus: 8", "PumpStatus: 6", "length 6 sent, 8 expected"),
        ("PumpSpeed", "PumpRate", "PumpSpeed is not in the sender's"),
    ],
)
def test_definitions_that_disagree(tmp_path: Path, old: str, new: str, words: str) -> None:
    other = PUMP.replace(old, new, 1)
    assert words in only(findings(tmp_path, pump=other), "definitions-disagree").summary


def test_a_receiver_that_needs_less_than_is_sent_agrees(tmp_path: Path) -> None:
    short = VCU.replace("PumpStatus: 8", "PumpStatus: 6")
    assert short != VCU
    assert findings(tmp_path, vcu=short) == []
