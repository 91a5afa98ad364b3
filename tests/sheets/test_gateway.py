"""The gateway sheet agrees with the routes and response times that the plan is judged by."""

from dataclasses import replace

import pytest

from busplan.demo.files import plan_file
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.sheets.gateway import GatewayRow, gateway_csv, gateway_rows, gateways
from busplan.timing.gateways import vehicle_timing


@pytest.fixture(scope="module")
def van() -> Vehicle:
    return load_plan(plan_file("as_built"))


@pytest.fixture(scope="module")
def rows(van: Vehicle) -> tuple[GatewayRow, ...]:
    return gateway_rows(van)


def test_each_route_stands_with_its_proven_latency(
    van: Vehicle, rows: tuple[GatewayRow, ...]
) -> None:
    timing = vehicle_timing(van)
    for one in timing.routes:
        mine = [
            r
            for r in rows
            if r.does == "routes"
            and (r.gateway, r.network, r.to_network)
            == (one.route.through, one.route.source, one.route.target)
            and one.route.what in (r.signal, r.message)
        ]
        assert mine, one.route.name
        assert {r.worst_ms for r in mine} == {one.latency_ns and one.latency_ns / 1e6}
        assert all(r.to_message for r in mine)


def test_scaling_of_both_ends_is_shown(rows: tuple[GatewayRow, ...]) -> None:
    row = next(r for r in rows if r.does == "routes" and r.signal == "StateOfCharge")
    assert (row.scale, row.unit, row.to_scale, row.to_unit) == (0.5, "%", 0.5, "%")


def test_every_message_the_gateway_sends_is_there(
    van: Vehicle, rows: tuple[GatewayRow, ...]
) -> None:
    for node in gateways(van):
        sent = {(s.network, s.message.label) for s in van.streams if s.node == node.name}
        assert {
            (r.network, r.identifier) for r in rows if r.does == "sends" and r.gateway == node.name
        } == sent


def test_the_offsets_of_the_gateway_s_own_clock_are_there(van: Vehicle) -> None:
    label = "thermal/supervisor/CoolantCommand"
    streams = tuple(replace(s, offset_ns=5_000_000) if s.label == label else s for s in van.streams)
    rows = gateway_rows(replace(van, streams=streams))
    stated = {(r.does, r.message) for r in rows if r.send_offset_ms is not None}
    assert stated == {("sends", "CoolantCommand")}
    assert {r.send_offset_ms for r in rows} == {None, 5.0}


def test_what_nobody_sends_is_marked() -> None:
    bought = load_plan(plan_file("as_bought"))
    heard = {
        (r.gateway, r.message) for r in gateway_rows(bought) if r.note == "nobody sends it here"
    }
    assert heard == {
        (n.node, n.message.name)
        for n in bought.needs
        if n.node in {g.name for g in gateways(bought)}
        and not any(
            s.message.identifier == n.message.identifier
            for s in bought.streams
            if s.network == n.network and s.node != n.node
        )
    }


def test_the_sheet_begins_with_the_caution(van: Vehicle) -> None:
    first = gateway_csv(van).split("\r\n")[0]
    assert "High voltage can kill" in first
