"""What a node would do to its network."""

from support.bench import PLANS, as_built, charger_rows, charger_streams, table_of

from busplan.bench.joining import join, joining_lines
from busplan.bench.prove import prove_node
from busplan.checks.planned_load import network_load
from busplan.plan.single import vehicle_of_part


def report_of(rows: list[tuple[int, int, bytes]]):  # type: ignore[no-untyped-def]
    return prove_node(table_of(rows), as_built(), "charger")


def test_a_node_that_behaves_brings_the_network_to_the_planned_load() -> None:
    joining = join(as_built(), report_of(charger_rows()))
    planned = network_load(as_built(), "charge").worst
    assert abs(joining.load_after - planned) < 1e-9
    assert joining.load_before < planned
    assert joining.findings == ()
    assert not any(s.late for s in joining.shifts)


def test_a_quicker_node_and_a_stranger_add_their_measured_share() -> None:
    quick = charger_streams()["ChargerOutput"].message
    rows = [r for r in charger_rows() if r[1] != quick.identifier]
    rows += [(t * 10_000_000, quick.identifier, bytes(8)) for t in range(2000)]
    rows += [(t * 10_000_000 + 3_000_000, 0x18FF77E5, bytes(8)) for t in range(2000)]
    joining = join(as_built(), report_of(rows))
    planned = network_load(as_built(), "charge").worst
    # 160 bits worst case (references: 80 + 10 s with s = 8) at 250 kbit/s, every 10 ms.
    each = 160 / 250_000
    assert abs(joining.load_after - (planned - each * 10 + each * 200)) < 1e-6


def test_the_others_wait_longer_when_the_node_is_there() -> None:
    joining = join(as_built(), report_of(charger_rows()))
    assert all(
        s.before_ns is not None and s.after_ns is not None and s.after_ns >= s.before_ns
        for s in joining.shifts
    )
    lines = joining_lines(as_built(), report_of(charger_rows()))
    assert lines[0].startswith("charge would go from ")


def test_an_identifier_that_clashes_on_the_network_is_a_new_finding() -> None:
    other = next(s for s in as_built().on("charge") if s.node == "dcdc").message
    rows = [*charger_rows(), *((t * 10**8, other.identifier, bytes(8)) for t in range(200))]
    joining = join(as_built(), report_of(rows))
    assert "identifier-clash" in {f.code for f in joining.findings}
    assert any("identifier-clash" in line for line in joining_lines(as_built(), report_of(rows)))


def test_a_part_without_a_plan_joins_nothing() -> None:
    vehicle = vehicle_of_part(PLANS / "charger.dbc", "CHARGER", bit_rate=250_000)
    table = table_of(charger_rows(5), "bench")
    report = prove_node(table, vehicle, "CHARGER")
    assert report.frames > 0
    assert joining_lines(vehicle, report) == ()
