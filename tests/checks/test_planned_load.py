"""Planned loads against published and computed figures."""

from dataclasses import replace

import pytest
from support.reference import reference_values
from support.vehicles import stream, vehicle

from busplan.checks import run_checks
from busplan.checks.planned_load import limit_origin, network_load
from busplan.definitions.model import J1939Id
from busplan.findings import Weight
from busplan.plan.vehicle import Network, Vehicle


def sae(bit_rate: int) -> Vehicle:
    """The 17 messages of the SAE benchmark; sizes and periods as in the reference values."""
    messages = reference_values()["sae"]["125"]["messages"]
    streams = [
        stream(i + 1, node=f"n{i}", length=m["s"], cycle_ms=m["T"]) for i, m in enumerate(messages)
    ]
    return vehicle(streams, [Network("a", bit_rate)])


@pytest.mark.parametrize(
    ("bit_rate", "utilisation"),
    # Utilisation of the SAE benchmark at four bit rates, read in a university course's material.
    [(125_000, 0.8805), (250_000, 0.4403), (500_000, 0.2201), (1_000_000, 0.1101)],
)
def test_sae_benchmark_utilisation(bit_rate: int, utilisation: float) -> None:
    assert network_load(sae(bit_rate), "a").worst == pytest.approx(utilisation, abs=5.1e-5)


def test_sae_benchmark_sizes_and_periods_are_the_published_ones() -> None:
    # Read in a university course's data file.
    messages = reference_values()["sae"]["125"]["messages"]
    assert [m["s"] for m in messages] == [1, 2, 1, 2, 1, 2, 6, 1, 2, 3, 1, 4, 1, 1, 3, 1, 1]
    assert sorted(m["T"] for m in messages)[:5] == [5] * 5


def test_time_on_the_wire_of_single_frames() -> None:
    # Davis et al. 2007: 8 bytes take 111 bits without and 135 with most stuff bits (29-bit
    # identifiers: 131 and 160); here 2 µs a bit.
    v = vehicle([stream(1), stream(0x18000002, extended=True)])
    first, second = network_load(v, "a").messages
    assert (first.nominal_ns, first.worst_ns) == (222_000, 270_000)
    assert (second.nominal_ns, second.worst_ns) == (262_000, 320_000)
    assert first.nominal == pytest.approx(0.0222)


@pytest.mark.parametrize(
    ("length", "extended", "nominal_us", "worst_us"),
    # Computed from the field widths in Linux include/linux/can/length.h, 500 kbit/s + 2 Mbit/s.
    [(8, False, 106.5, 123.0), (64, False, 333.0, 405.5), (64, True, 371.0, 452.0)],
)
def test_can_fd_frames(length: int, extended: bool, nominal_us: float, worst_us: float) -> None:
    fd = stream(1, length=length, extended=extended, fd=True)
    v = vehicle([fd], [Network("a", 500_000, 2_000_000)])
    (load,) = network_load(v, "a").messages
    assert (load.nominal_ns / 1000, load.worst_ns / 1000) == (nominal_us, worst_us)


def test_the_data_phase_of_can_fd_has_its_own_share() -> None:
    # Data phase of 64 bytes, by the same field widths: ESI and DLC 5 bits, payload 512, CRC field
    # 33 = 550 bits of 0.5 µs, here every 10 ms. A classical frame beside it has none.
    fd = stream(1, length=64, fd=True, cycle_ms=10)
    v = vehicle([fd, stream(2, cycle_ms=10)], [Network("a", 500_000, 2_000_000)])
    load = network_load(v, "a")
    nominal, worst = load.data_phase
    assert nominal == pytest.approx(0.0275)
    assert nominal < worst < load.worst - nominal
    assert network_load(vehicle([stream(1)]), "a").data_phase == (0, 0)


def test_a_j1939_message_over_8_bytes_counts_as_a_transport_session() -> None:
    # SAE J1939-21, from memory: one announcement, then packets of 7 bytes each.
    s = stream(0x18FECA01, extended=True, length=20, cycle_ms=1000)
    s = replace(s, message=replace(s.message, j1939=J1939Id(6, 0xFECA, 1, None)))
    (load,) = network_load(vehicle([s]), "a").messages
    assert load.frames == 4
    assert load.worst_ns == 4 * 320_000
    (note,) = [f for f in run_checks(vehicle([s])) if f.code == "sent-in-parts"]
    assert "4 frames" in note.summary


def test_shares_of_nodes_add_up_to_the_network() -> None:
    load = network_load(sae(125_000), "a")
    assert sum(worst for _, worst in load.by_node().values()) == pytest.approx(load.worst)
    assert load.headroom == pytest.approx(0.5 - load.worst)


def weights(bit_rate: int) -> list[tuple[str, Weight]]:
    return [(f.code, f.weight) for f in run_checks(sae(bit_rate)) if "load" in f.code]


def test_over_the_limit_is_a_caution_and_over_the_time_there_is_a_fault() -> None:
    assert weights(250_000) == []
    assert weights(125_000) == [("load-over-limit", Weight.CAUTION)]
    assert weights(100_000) == [("load-over-limit", Weight.FAULT)]


@pytest.mark.parametrize(
    ("cycle_us", "weight", "why"),
    # Davis et al. 2007: 8 bytes take 111 bits without and 135 with the most stuff bits, here 222
    # and 270 µs; the limit is 50 % (common practice, no source).
    [
        (540, None, ""),  # worst exactly at the limit
        (539, Weight.CAUTION, "Payloads decide"),  # only the worst case is over it
        (444, Weight.CAUTION, "Payloads decide"),  # nominal exactly at the limit
        (443, Weight.CAUTION, "Whatever the payloads"),
        (270, Weight.CAUTION, "Whatever the payloads"),  # worst takes exactly all the time
        (269, Weight.FAULT, "There may not be time"),
    ],
)
def test_a_load_is_judged_by_its_worst_case(cycle_us: int, weight: Weight | None, why: str) -> None:
    v = vehicle([stream(1, cycle_ms=cycle_us / 1000)])
    found = [f for f in run_checks(v) if f.code == "load-over-limit"]
    assert [f.weight for f in found] == ([] if weight is None else [weight])
    assert all(f.why.startswith(why) for f in found)


def test_a_message_without_a_period_is_left_out_and_said_so() -> None:
    v = vehicle([stream(1, cycle_ms=None, name="Lost"), stream(2)])
    load = network_load(v, "a")
    assert [m.stream.message.name for m in load.unstated] == ["Lost"]
    assert load.nominal == pytest.approx(0.0222)
    finding = next(f for f in run_checks(v) if f.code == "period-not-stated")
    assert "n/Lost" in finding.summary


def test_where_limits_come_from() -> None:
    assert limit_origin(Network("a", 1, load_limit_stated=True)) == "plan"
    assert "J1939-11" in limit_origin(Network("a", 1, j1939=True))
    assert limit_origin(Network("a", 1)) == "common practice, no source"
