"""A first plan of the invented van, from its definition files and captures alone.

Outside truth: the van as built, which nothing of the proposal has read.
"""

import pytest
from support.parts_box import load, material

from busplan.checks import run_checks
from busplan.demo.files import plan_file
from busplan.findings import Weight
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import SignalAddress, Vehicle
from busplan.starting.proposal import Proposal, propose


@pytest.fixture(scope="module")
def built() -> Vehicle:
    return load_plan(plan_file("as_built"))


@pytest.fixture(scope="module")
def proposal() -> Proposal:
    return propose(material(), "van", load)


@pytest.fixture(scope="module")
def blind() -> Proposal:
    """Without a single capture."""
    return propose(material(captures=False), "van", load)


def by_parts(vehicle: Vehicle) -> dict[str, list[str]]:
    return {name: sorted(n.part.name for n in vehicle.nodes_on(name)) for name in vehicle.networks}


def test_all_six_networks_are_apart_as_built(proposal: Proposal, built: Vehicle) -> None:
    assert by_parts(proposal.vehicle) == by_parts(built)


def test_bit_rates_and_channels_are_those_of_the_van(proposal: Proposal, built: Vehicle) -> None:
    for name, network in built.networks.items():
        found = proposal.vehicle.networks[name]
        assert (found.bit_rate, found.data_bit_rate) == (network.bit_rate, network.data_bit_rate)
        assert found.channels == network.channels
        assert found.j1939 == network.j1939
    assert all(n.bit_rate.remark.startswith("seen") for n in proposal.networks)


def test_nine_periods_of_ten_are_right(proposal: Proposal, built: Vehicle) -> None:
    truth = {s.key: s for s in built.streams}
    found = {s.key: s for s in proposal.vehicle.streams}
    assert found.keys() == truth.keys()
    right = [
        s.key
        for s in built.streams
        if s.cycle and (f := found[s.key].cycle) and abs(f.ns - s.cycle.ns) <= 0.01 * s.cycle.ns
    ]
    assert len(right) == len(truth) == 101
    door = next(s for s in found.values() if s.message.name == "DoorEvent")
    assert door.event
    assert "it may come faster" in proposal.text


def shape(vehicle: Vehicle, address: SignalAddress) -> tuple[str, str, int, str]:
    """A signal's place whatever its node is called."""
    stream = next(s for s in vehicle.streams if s.path == address[:3])
    return address.network, address.message, stream.message.identifier, address.signal


def test_the_pack_is_right(proposal: Proposal, built: Vehicle) -> None:
    mine, truth = proposal.vehicle.pack, built.pack
    assert mine is not None
    assert truth is not None
    assert mine.enclosures == truth.enclosures
    for a, b in zip(mine.cells, truth.cells, strict=True):
        assert (a.number, a.module) == (b.number, b.module)
        assert shape(proposal.vehicle, a.address) == shape(built, b.address)
    for c, d in zip(mine.sensors, truth.sensors, strict=True):
        assert (c.module, c.position) == (d.module, d.position)
        assert shape(proposal.vehicle, c.address) == shape(built, d.address)
    for quantity, address in truth.quantities.items():
        assert mine.quantities[quantity] == address
    assert mine.temperature_resolution_k == truth.temperature_resolution_k


def test_check_reads_it_and_finds_nothing_above_a_note(proposal: Proposal) -> None:
    assert {f.weight for f in run_checks(proposal.vehicle)} == {Weight.NOTE}


def test_every_message_route_and_most_signal_routes_are_found(
    proposal: Proposal, built: Vehicle
) -> None:
    def ends(vehicle: Vehicle) -> set[tuple[str, str, str, str, str]]:
        return {(r.kind, r.what, r.source, r.target, r.through) for r in vehicle.routes}

    truth, found = ends(built), ends(proposal.vehicle)
    assert {r for r in truth if r[0] == "message"} <= found
    missed = truth - found
    assert {r[4] for r in missed} == {"battery_master"}  # it measures what it sends on itself
    assert len(truth & found) == 16


def test_what_differs_from_a_file_is_told_with_its_capture(proposal: Proposal) -> None:
    assert "ChargerOutput comes each 125 ms in bench_charger; its file says 100 ms" in proposal.text
    assert "gap: no file defines 0x18FFA3E5 (8 bytes, each 250 ms)" in proposal.text
    assert "no file defines 0x054" not in proposal.text  # a route explains it


def test_without_captures_networks_follow_from_messages_alone(
    blind: Proposal, built: Vehicle
) -> None:
    mine, truth = by_parts(blind.vehicle), by_parts(built)
    assert mine.keys() == truth.keys()
    exact = {"pack", "charge", "thermal", "telemetry"}
    for name in exact:
        assert set(mine[name]) == set(truth[name])
    # These hear both networks or clash with a partner; nothing but a capture tells.
    moved = {p for n in ("drive", "cabin") for p in set(mine[n]) - set(truth[n])}
    assert moved == {"display", "lift", "steering_pump"}
    assert all("guess" in n.bit_rate.remark for n in blind.networks)
    assert any("seen in no capture" in gap for gap in blind.gaps)


def test_without_captures_one_of_each_part_is_asked_for(blind: Proposal) -> None:
    asked = {q.about for q in blind.questions if q.kind == "count"}
    assert {"pump", "monitor"} <= asked
