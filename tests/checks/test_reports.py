"""Reports of a plan as values: tables, documents and findings agree, and all can be sent on."""

from __future__ import annotations

import pickle
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.vehicles import stream, vehicle

from busplan.checks.cable_report import cable_report
from busplan.checks.compare import compare
from busplan.checks.load_report import load_report
from busplan.checks.timing_report import tightest, timing_report
from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.plan.cable import Cable
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Network, Port, Vehicle

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"


@pytest.fixture(scope="module")
def bought() -> Vehicle:
    return load_plan(EXAMPLES / "as_bought.toml")


def test_response_times_are_the_same_in_table_and_document(bought: Vehicle) -> None:
    report = timing_report(bought, ["body", "drive"])
    document = report.as_dict()
    frame = report.to_frame()
    told = [m for network in document["networks"] for m in network["messages"]]
    assert frame["message"].tolist() == [m["message"] for m in told]
    assert frame["late"].tolist() == [m["late"] for m in told]
    assert frame["late"].any()
    known = [m["response_ns"] / 1e6 for m in told if m["response_ns"] is not None]
    assert frame["response_ms"].dropna().tolist() == known
    assert frame.attrs["units"]["response_ms"] == "ms"
    networks = report.network_table().rows
    assert [row.network for row in networks] == ["drive", "body"]
    assert [row.late for row in networks] == [
        int(frame[frame["network"] == row.network]["late"].sum()) for row in networks
    ]
    assert {r.route for r in report.route_table().rows} == {r["route"] for r in document["routes"]}
    assert pickle.loads(pickle.dumps(report)).as_dict() == document


def test_the_tightest_message_uses_most_of_its_deadline(bought: Vehicle) -> None:
    for one in timing_report(bought).networks:
        tight = tightest(one)
        assert tight is not None
        assert tight.deadline is not None
        if tight.response_ns is None:
            assert tight.missed
            continue
        shares = [
            r.response_ns / r.deadline.ns
            for r in one.responses
            if r.response_ns is not None and r.deadline is not None
        ]
        assert tight.response_ns / tight.deadline.ns == max(shares)


def test_assumed_bus_errors_make_every_bound_longer_or_equal(bought: Vehicle) -> None:
    calm, disturbed = (
        timing_report(bought, fault_interval_ns=ns).to_frame() for ns in (None, 10**7)
    )
    both = calm["response_ms"].notna() & disturbed["response_ms"].notna()
    assert (disturbed["response_ms"][both] > calm["response_ms"][both]).all()


def test_loads_are_the_same_in_tables_and_document(bought: Vehicle) -> None:
    report = load_report(bought)
    document = report.as_dict()
    networks = report.to_frame()
    assert networks["network"].tolist() == list(bought.networks)
    assert networks["worst"].tolist() == [n["worst"] for n in document["networks"]]
    messages, nodes = report.message_table().to_frame(), report.node_table().to_frame()
    for one in document["networks"]:
        name, worst = one["network"], one["worst"]
        assert messages[messages["network"] == name]["worst"].sum() == pytest.approx(worst)
        assert nodes[nodes["network"] == name]["worst"].sum() == pytest.approx(worst)
    assert [row.network for row in load_report(bought, ["body"]).network_table().rows] == ["body"]
    assert pickle.loads(pickle.dumps(report)).as_dict() == document


@pytest.mark.parametrize("name", ["as_bought", "as_built"])
def test_what_is_marked_in_the_cable_table_is_also_a_finding(name: str) -> None:
    report = cable_report(load_plan(EXAMPLES / f"{name}.toml"))
    marked = {(row.network, row.beyond) for row in report.limit_table().rows if row.beyond}
    about = {
        "trunk-too-long",
        "stub-too-long",
        "round-trip-too-long",
        "terminators-wrong",
        "too-many-nodes",
    }
    found = {f.where.network for f in report.findings if f.code in about}
    assert {network for network, _ in marked} == found
    for row in report.limit_table().rows:
        if row.beyond is Weight.FAULT:
            assert row.unit == "ns"
    assert pickle.loads(pickle.dumps(report)).as_dict() == report.as_dict()


OF_ROW = {
    "trunk": "trunk-too-long",
    "longest stub": "stub-too-long",
    "all stubs": "stub-too-long",
    "there and back": "round-trip-too-long",
    "terminator": "terminators-wrong",
    "across the pair": "terminators-wrong",
    "nodes": "too-many-nodes",
}
"""What a row that is beyond its limit is told as."""
LENGTHS_M = st.sampled_from([0.2, 1.4, 1.6, 6.0, 24.0, 26.0, 101.0])


@given(
    trunk_m=LENGTHS_M,
    stubs_m=st.lists(LENGTHS_M, max_size=3),
    ohms=st.lists(st.sampled_from([20.0, 90.0, 120.0, 150.0]), max_size=4),
    built_in=st.booleans(),
    rate=st.sampled_from([250_000, 500_000, 1_000_000]),
    data_rate=st.sampled_from([None, 5_000_000]),
    nodes=st.sampled_from([2, 31]),
    j1939=st.booleans(),
)
def test_the_cable_table_marks_what_the_findings_tell_as_heavily(
    trunk_m: float,
    stubs_m: list[float],
    ohms: list[float],
    built_in: bool,
    rate: int,
    data_rate: int | None,
    nodes: int,
    j1939: bool,
) -> None:
    stubs = {f"n{i}": m for i, m in enumerate(stubs_m)}
    cable = None if built_in else Cable(trunk_m, stubs, tuple(ohms))
    network = Network("a", rate, data_bit_rate=data_rate, cable=cable, j1939=j1939)
    van = vehicle([stream(i, node=f"n{i}") for i in range(nodes)], [network])
    for node, ohm in zip(van.nodes.values(), ohms if built_in else (), strict=False):
        node.on["a"] = replace(node.on["a"], terminator_ohm=ohm)  # type: ignore[index]
    report = cable_report(van)
    marked = {
        (code, row.beyond)
        for row in report.limit_table().rows
        for start, code in OF_ROW.items()
        if row.beyond is not None and row.what.startswith(start)
    }
    told = {(f.code, f.weight) for f in report.findings if f.code in OF_ROW.values()}
    assert marked == told


def test_a_cable_nobody_describes_is_neither_within_nor_beyond_its_limits(bought: Vehicle) -> None:
    for one in cable_report(bought).networks:
        for row in one.limits:
            if not one.state.stated and row.what != "nodes":
                assert row.beyond is None
                assert row.planned is None or row.what == "terminators"


def test_a_vehicle_compared_with_itself_changes_nothing(bought: Vehicle) -> None:
    document = compare(bought, bought, follows=["nothing"]).as_dict()
    assert document["follows"] == ["nothing"]
    assert document["new"] == document["gone"] == document["changed"] == []
    assert document["same"]
    assert all(change["before"] == change["after"] for change in document["loads"])


def test_terminators_of_a_cable_nobody_describes_are_not_stated() -> None:
    van = vehicle([stream(0x1)], [Network("a", 500_000)])
    planned = {row.what: row.planned for row in cable_report(van).limit_table().rows}
    assert planned["terminators"] is None
    assert planned["across the pair, power off"] is None


@pytest.mark.parametrize("report", [timing_report, load_report, cable_report])
def test_a_network_that_is_not_there_is_refused(bought: Vehicle, report: object) -> None:
    with pytest.raises(UsageError, match='did you mean "body"'):
        report(bought, ["boddy"])


def test_findings_and_routes_are_those_of_the_networks_asked_for(bought: Vehicle) -> None:
    assert {f.where.network for f in timing_report(bought).findings} == {"body"}
    assert timing_report(bought, ["drive"]).findings == ()
    only = timing_report(bought, ["body"])
    assert only.findings
    assert all("body" in (row.source, row.target) for row in only.route_table().rows)


def test_a_message_does_not_wait_for_itself() -> None:
    """Davis et al. 2007, table 1: the second instance of C is the worst, after its own first."""
    van = vehicle(
        [
            stream(i, cycle_ms=t, name=n)
            for i, t, n in ((1, 2.5, "A"), (2, 3.5, "B"), (3, 3.5, "C"))
        ],
        [Network("a", 135_000)],
    )
    report = timing_report(van)
    (one,) = report.networks
    assert (one.responses[2].instance, one.responses[2].response_ns) == (1, 3_500_000)
    assert any(d.stream is one.responses[2].stream for d in one.delays(one.responses[2]))
    assert {row.message: row.waits_for for row in report.message_table().rows} == {
        "A": "B",
        "B": "C, 1x A",
        "C": "3x A, 2x B",
    }


@pytest.mark.parametrize(
    ("cable", "beyond"),
    # Two terminators of 120 Ω, 60 Ω across the pair (ISO 11898); 100 m at 500 kbit/s (cable_rules).
    [
        (Cable(100.0, {}, (120.0, 120.0)), {}),
        (Cable(110.0, {}, (120.0, 120.0)), {"trunk": Weight.CAUTION}),
        (
            Cable(130.0, {}, (120.0, 120.0)),  # there and back 2·(255 + 650) ns, the sample at 1750
            {"trunk": Weight.CAUTION, "there and back": Weight.FAULT},
        ),
        (Cable(20.0, {}, (120.0, 120.0)), {}),
        (Cable(20.0, {"n": 9.0}, (120.0, 120.0)), {"longest stub (n)": Weight.CAUTION}),
        (
            Cable(20.0, {}, (120.0,)),
            {"terminators": Weight.CAUTION, "across the pair, power off": Weight.CAUTION},
        ),
        (
            Cable(20.0, {}, (200.0, 200.0)),
            {
                "across the pair, power off": Weight.CAUTION,
                "terminator on the cable": Weight.CAUTION,
            },
        ),
        (Cable(20.0, {}, (90.0, 120.0)), {"terminator on the cable": Weight.CAUTION}),
        (Cable(None, {}, (120.0, 120.0)), {}),
    ],
)
def test_a_quantity_beyond_its_limit_is_marked(cable: Cable, beyond: dict[str, Weight]) -> None:
    van = vehicle([stream(0x1), stream(0x2, node="m")], [Network("a", 500_000, cable=cable)])
    rows = cable_report(van).limit_table().rows
    assert {r.what.split(", sample")[0]: r.beyond for r in rows if r.beyond} == beyond


def test_terminators_not_stated_are_no_number_beside_a_limit() -> None:
    # One of 120 Ω is built in; of those on the cable nobody tells, so no "1" or "120 Ω" is planned.
    van = vehicle([stream(0x1), stream(0x2, node="m")], [Network("a", 500_000, cable=Cable(20.0))])
    node = replace(van.nodes["m"], on={"a": Port("", (), "m", terminator_ohm=120)})
    rows = cable_report(replace(van, nodes={**van.nodes, "m": node})).limit_table().rows
    planned = {r.what: r.planned for r in rows}
    assert planned["terminators"] is None
    assert planned["across the pair, power off"] is None
