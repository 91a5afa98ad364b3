"""What a valid plan becomes: identifiers, cycle times with origin, ports, limits, the pack."""

from pathlib import Path

import pytest
from support.plans import PLAN, PUMP, VCU, dbc, message, signal, write_plan

from busplan.definitions.model import Origin
from busplan.errors import PlanError
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import SignalAddress, Stream, Vehicle


def vehicle(folder: Path, plan: str = PLAN, **definitions: str) -> Vehicle:
    return load_plan(write_plan(folder, plan, **({"pump": PUMP, "vcu": VCU} | definitions)))


def stream(v: Vehicle, label: str) -> Stream:
    (found,) = [s for s in v.streams if s.label == label]
    return found


def test_cycle_and_deadline_come_from_the_definition(tmp_path: Path) -> None:
    s = stream(vehicle(tmp_path), "loop/pump/PumpStatus")
    assert s.cycle is not None
    assert (s.cycle.ms, s.cycle.origin) == (100, Origin.DEFINITION)
    assert s.deadline == s.cycle


def test_the_plan_overrides_the_definition(tmp_path: Path) -> None:
    tail = '[message."loop/PumpStatus"]\ncycle_ms = 40\ndeadline_ms = 12.5\njitter_ms = 1.5\n'
    s = stream(
        vehicle(tmp_path, PLAN + tail + "[node.pump.offsets]\nPumpStatus = 3\n"),
        "loop/pump/PumpStatus",
    )
    assert s.cycle is not None
    assert s.deadline is not None
    assert (s.cycle.ns, s.cycle.origin) == (40_000_000, Origin.PLAN)
    assert (s.deadline.ns, s.deadline.origin) == (12_500_000, Origin.PLAN)
    assert (s.jitter_ns, s.offset_ns) == (1_500_000, 3_000_000)


@pytest.mark.parametrize("name", ["loop/PumpStatus", "loop/pump/PumpStatus", "PumpStatus"])
def test_a_message_can_be_named_in_three_ways(tmp_path: Path, name: str) -> None:
    v = vehicle(tmp_path, f'{PLAN}[message."{name}"]\nmin_distance_ms = 20\n')
    s = stream(v, "loop/pump/PumpStatus")
    assert s.event
    assert s.cycle is not None
    assert (s.cycle.ms, s.cycle.origin) == (20, Origin.PLAN)


def test_a_file_default_is_told_from_a_statement(tmp_path: Path) -> None:
    defaulted = PUMP.replace('"GenMsgCycleTime" 0;', '"GenMsgCycleTime" 70;').replace(
        'BA_ "GenMsgCycleTime" BO_ 288 100;\n', ""
    )
    s = stream(vehicle(tmp_path, pump=defaulted), "loop/pump/PumpStatus")
    assert s.cycle is not None
    assert (s.cycle.ms, s.cycle.origin) == (70, Origin.FILE_DEFAULT)


def test_no_statement_and_zero_are_no_period(tmp_path: Path) -> None:
    silent = PUMP.replace("BO_ 288 100;", "BO_ 288 0;")
    s = stream(vehicle(tmp_path, pump=silent), "loop/pump/PumpStatus")
    assert s.cycle is None
    assert s.deadline is None


def test_needs_are_what_others_send_to_it(tmp_path: Path) -> None:
    needs = [(n.node, n.message.name, n.signal.name) for n in vehicle(tmp_path).needs]
    assert needs == [("pump", "PumpOrder", "PumpTarget"), ("vcu", "PumpStatus", "PumpSpeed")]


def test_load_limits_by_default(tmp_path: Path) -> None:
    v = vehicle(tmp_path, PLAN.replace("500_000", "500_000\nj1939 = true"))
    # SAE J1939-11 as published in an engine installation manual: 40 %; else common practice.
    assert v.networks["main"].load_limit == 0.40
    assert v.networks["loop"].load_limit == 0.50
    assert not v.networks["main"].load_limit_stated


PORTS = PLAN + (
    '[part.gate]\nbit_rates = [250_000, 500_000]\n[part.gate.port.loop]\ndefinitions = "g1.dbc"\n'
    'bit_rates = [250_000]\n[part.gate.port.main]\ndefinitions = ["g2.dbc"]\n'
    "terminator_ohm = 120\n"
)
G1 = dbc(["G", "PUMP"], message(0x10, "A", "G", signal("X")))
G2 = dbc(["G"], message(0x20, "B", "G", signal("Y")))


def test_a_port_goes_to_the_network_of_its_name(tmp_path: Path) -> None:
    plan = PORTS + '[node.gate]\npart = "gate"\non = ["loop", "main"]\n'
    v = vehicle(tmp_path, plan, g1=G1, g2=G2)
    assert [s.label for s in v.streams if s.node == "gate"] == ["loop/gate/A", "main/gate/B"]
    assert v.nodes["gate"].on["loop"].bit_rates == (250_000,)
    assert v.nodes["gate"].on["main"].bit_rates == (250_000, 500_000)
    assert v.nodes["gate"].on["main"].terminator_ohm == 120


def test_two_ports_on_one_network_are_one_node(tmp_path: Path) -> None:
    plan = PORTS + '[node.gate]\npart = "gate"\non = { loop = "main", main = "main" }\n'
    v = vehicle(tmp_path, plan, g1=G1, g2=G1.replace("BO_ 16 A", "BO_ 16 A"))
    assert [s.label for s in v.streams if s.node == "gate"] == ["main/gate/A"]
    assert v.nodes["gate"].on["main"].bit_rates == (250_000,)


def test_routes_in_a_circle_end_and_in_a_row_reach_the_last_network(tmp_path: Path) -> None:
    plan = PORTS.replace("[network.main]", "[network.far]\nbit_rate = 500_000\n[network.main]")
    plan += (
        '[part.gate.port.far]\ndefinitions = "g3.dbc"\n[node.gate]\npart = "gate"\n'
        'on = ["loop", "main"]\n[node.gate2]\npart = "gate"\non = { main = "main", far = "far" }\n'
    )
    for source, target, through in (
        ("main", "far", "gate2"),
        ("loop", "main", "gate"),
        ("far", "main", "gate2"),
    ):
        plan += (
            f'[[route]]\nmessage = "PumpStatus"\nfrom = "{source}"\nto = "{target}"\n'
            f'through = "{through}"\n'
        )
    v = vehicle(tmp_path, plan, g1=G1, g2=G2, g3=G2)
    passed = [s.label for s in v.streams if s.message.name == "PumpStatus"]
    assert passed == ["loop/pump/PumpStatus", "main/gate/PumpStatus", "far/gate2/PumpStatus"]


PACK = (
    '[pack]\nchemistry = "{chemistry}"\nnetwork = "loop"\n[[pack.enclosure]]\nname = "A"\n'
    'node = "bms"\nmodules = ["M1", "M2"]\ncells_per_module = [1, {second}]\n'
    'sensors_per_module = 1\ncells = "V{{n}}"\nsensors = ["T1", "T2"]\n'
    '[part.bms]\ndefinitions = "bms.dbc"\n[node.bms]\npart = "bms"\non = ["loop"]\n'
)
BMS = dbc(
    ["BMS"],
    message(0x50, "Cells", "BMS", *(signal(f"V{i + 1}", 16 * i, 16) for i in range(3))),
    message(0x51, "Temps", "BMS", signal("T1"), signal("T2", 8)),
)


def test_places_in_the_loop_and_kinds_for_all_or_each(tmp_path: Path) -> None:
    plan = PLAN + PACK.format(chemistry="LFP", second=2)
    plain = vehicle(tmp_path, plan, bms=BMS).pack
    assert plain is not None
    assert plain.loop_position == {"M1": 1, "M2": 1}
    assert plain.kind == {"M1": "module", "M2": "module"}
    keyed = plan.replace("sensors_per", 'loop_position = [2, 1]\nkind = "long"\nsensors_per')
    pack = vehicle(tmp_path, keyed, bms=BMS).pack
    assert pack is not None
    assert pack.loop_position == {"M1": 2, "M2": 1}
    assert pack.kind == {"M1": "long", "M2": "long"}


def test_uneven_modules_and_lists_of_signals(tmp_path: Path) -> None:
    pack = vehicle(tmp_path, PLAN + PACK.format(chemistry="LFP", second=2), bms=BMS).pack
    assert pack is not None
    assert [(c.number, c.module, c.address.signal) for c in pack.cells] == [
        (1, "M1", "V1"),
        (2, "M2", "V2"),
        (3, "M2", "V3"),
    ]
    assert [(s.module, s.position, s.address.signal) for s in pack.sensors] == [
        ("M1", 1, "T1"),
        ("M2", 1, "T2"),
    ]
    assert pack.cells[0].address == SignalAddress("loop", "bms", "Cells", "V1")


@pytest.mark.parametrize(
    ("chemistry", "low", "high"),
    # Parameter sets of the PyBaMM library and cell datasheets.
    [("NMC", 2.5, 4.2), ("NCA", 2.7, 4.2), ("LFP", 2.0, 3.65)],
)
def test_chemistry_windows(tmp_path: Path, chemistry: str, low: float, high: float) -> None:
    pack = vehicle(tmp_path, PLAN + PACK.format(chemistry=chemistry, second=2), bms=BMS).pack
    assert pack is not None
    assert (pack.limits.cell_low_v, pack.limits.cell_high_v) == (low, high)
    # Cell datasheets: no charging of Li-ion below 0 °C; charge to 45 °C; discharge -20 to 60 °C.
    assert (pack.limits.charge_low_c, pack.limits.charge_high_c) == (0, 45)
    assert (pack.limits.discharge_low_c, pack.limits.discharge_high_c) == (-20, 60)


def test_own_limits(tmp_path: Path) -> None:
    plan = PLAN + PACK.format(chemistry="own", second=2)
    with pytest.raises(PlanError, match="cell_low_v and cell_high_v must be stated"):
        vehicle(tmp_path, plan, bms=BMS)
    own = "[pack.limits]\ncell_low_v = 1.9\ncell_high_v = 2.6\n"
    pack = vehicle(tmp_path, plan + own, bms=BMS).pack
    assert pack is not None
    assert pack.limits.cell_high_v == 2.6


def test_a_cell_that_no_definition_has_is_a_finding(tmp_path: Path) -> None:
    v = vehicle(tmp_path, PLAN + PACK.format(chemistry="LFP", second=3), bms=BMS)
    (finding,) = [f for f in v.findings if f.code == "pack-cell-missing"]
    assert "V4" in finding.summary
    assert v.pack is not None
    assert [c.number for c in v.pack.cells] == [1, 2, 3]


def test_a_signal_for_two_sensors_is_a_finding(tmp_path: Path) -> None:
    plan = (PLAN + PACK.format(chemistry="LFP", second=2)).replace('"T2"]', '"T1"]')
    v = vehicle(tmp_path, plan, bms=BMS)
    assert [f.code for f in v.findings] == ["pack-signal-doubled"]
