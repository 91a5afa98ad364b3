"""Reports of a plan as values: tables, documents and findings agree, and all can be sent on."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from busplan.checks.cable_report import cable_report
from busplan.checks.compare import compare
from busplan.checks.load_report import load_report
from busplan.checks.timing_report import tightest, timing_report
from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle

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


@pytest.mark.parametrize("report", [timing_report, load_report, cable_report])
def test_a_network_that_is_not_there_is_refused(bought: Vehicle, report: object) -> None:
    with pytest.raises(UsageError, match='did you mean "body"'):
        report(bought, ["boddy"])
