"""Cable lengths, terminators and propagation against published tables."""

from dataclasses import replace

import pytest
from support.vehicles import stream, vehicle

from busplan.plan.vehicle import Cable, Network
from busplan.wire.cable_rules import (
    TABLE_SOURCE,
    across_pair,
    arbitration_lengths,
    cable_state,
    data_phase_lengths,
    default_sample_point,
    longest_m,
    round_trip_ns,
)


@pytest.mark.parametrize(
    ("kbit", "trunk", "stub", "stubs"),
    [
        (1000, 25, 1.5, 7.5),
        (800, 50, 2.5, 12.5),
        (500, 100, 5.5, 27.5),
        (250, 250, 11, 55),
        (125, 500, 22, 110),
        (50, 1000, 55, 275),
    ],
)
def test_lengths_by_bit_rate(kbit: int, trunk: float, stub: float, stubs: float) -> None:
    # Table in the manner of CiA's, read in a sensor maker's manual.
    lengths = arbitration_lengths(kbit * 1000)
    assert (lengths.trunk.most, lengths.stub.most) == pytest.approx((trunk, stub))
    assert lengths.stubs is not None
    assert lengths.stubs.most == pytest.approx(stubs)
    assert lengths.trunk.source == TABLE_SOURCE


def test_between_rows_lengths_follow_the_bit_time() -> None:
    # Half way between 2 and 4 µs lies 333,333 bit/s: half way between 100 and 250 m.
    lengths = arbitration_lengths(333_333)
    assert lengths.trunk.most == pytest.approx(175, abs=0.01)
    assert lengths.stub.most == pytest.approx(8.25, abs=0.01)


def test_lengths_only_shrink_with_the_bit_rate() -> None:
    rates = [10_000, 49_999, 50_000, 83_333, 125_000, 300_000, 500_000, 799_999, 10**6, 1_500_000]
    trunks = [arbitration_lengths(r).trunk.most for r in rates]
    assert trunks == sorted(trunks, reverse=True)
    assert trunks[0] == trunks[2] == 1000


@pytest.mark.parametrize(("rate", "trunk", "stub"), [(250_000, 40, 1.0), (500_000, 40, 1.67)])
def test_j1939_is_stricter(rate: int, trunk: float, stub: float) -> None:
    # 250 kbit/s: SAE J1939-11 as published in an engine installation manual; 500: J1939-14, from
    # memory.
    lengths = arbitration_lengths(rate, j1939=True)
    assert (lengths.trunk.most, lengths.stub.most, lengths.stubs) == (trunk, stub, None)


@pytest.mark.parametrize(
    ("rate", "sample_point", "most"),
    [(500_000, 0.875, 124), (250_000, 0.875, 299), (125_000, 0.875, 649), (1_000_000, 0.75, 24)],
)
def test_propagation_against_the_sample_point(rate: int, sample_point: float, most: int) -> None:
    # T_prop = 2·(255 ns + 5 ns/m·L), read in a microcontroller manual; the lengths computed.
    assert longest_m(rate, sample_point) == pytest.approx(most, abs=0.01)
    assert round_trip_ns(most) == pytest.approx(sample_point * 1e9 / rate)


def test_terminators_across_the_pair() -> None:
    # ISO 11898: 120 Ω at each end, 60 Ω across the pair.
    assert across_pair([120, 120]) == pytest.approx(60)
    assert across_pair([120, 120, 120]) == pytest.approx(40)
    assert across_pair([]) is None


@pytest.mark.parametrize(
    ("rate", "point"),
    [(1_000_000, 0.75), (800_001, 0.75), (800_000, 0.8), (500_001, 0.8), (500_000, 0.875)],
)
def test_sample_point_by_bit_rate(rate: int, point: float) -> None:
    # Linux calc_bittiming.c, named there as CiA's.
    assert default_sample_point(rate) == point


def test_the_echo_in_the_data_phase_is_back_before_the_sample() -> None:
    # Our own rule, no published source: 2 · 5 ns/m · 37.5 m = 375 ns = 75 % of 500 ns.
    lengths = data_phase_lengths(2_000_000, 0.75)
    assert lengths.trunk.most == pytest.approx(37.5)
    assert lengths.stub.most == pytest.approx(0.75)


@pytest.mark.parametrize(("rate", "needed"), [(2_000_000, False), (5_000_000, True)])
def test_fast_data_phases_need_transmitter_delay_compensation(rate: int, needed: bool) -> None:
    # A transceiver's 255 ns against 75 % of 500 and of 200 ns.
    network = Network("a", 500_000, rate, data_sample_point=0.75)
    assert cable_state(vehicle([stream(1, fd=True)], [network]), "a").needs_compensation is needed


def test_the_longest_way_is_the_trunk_and_the_two_longest_stubs() -> None:
    # 10 + 3 + 2 m; 2·(255 ns + 5 ns/m · 15 m) = 660 ns, as in a microcontroller manual.
    cable = Cable(10.0, {"n": 2.0, "m": 0.5, "k": 3.0}, (120, 120))
    state = cable_state(vehicle([stream(1)], [Network("a", 500_000, cable=cable)]), "a")
    assert state.path_m == 15.0
    assert state.all_stubs_m == 5.5
    assert state.round_trip_ns == 660.0
    assert state.round_trip_limit_ns == 1750.0  # 87.5 % of 2 µs


@pytest.mark.parametrize(
    ("delays", "mean"),
    # A bit goes out through one transceiver and comes back through another: the two slowest count.
    [((100, 180, 240), 210.0), ((100, None, 240), 247.5), ((140,), 140.0)],
)
def test_the_two_slowest_transceivers_count(delays: tuple[int | None, ...], mean: float) -> None:
    v = vehicle([stream(i, node=f"n{i}") for i in range(len(delays))])
    nodes = {
        name: replace(node, part=replace(node.part, transceiver_delay_ns=delay))
        for (name, node), delay in zip(v.nodes.items(), delays, strict=True)
    }
    assert cable_state(replace(v, nodes=nodes), "a").transceivers_ns == mean
