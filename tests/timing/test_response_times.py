"""Response times of a network's messages."""

from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from support.reference import reference_values
from support.slow_timing import instances_of
from support.vehicles import stream, vehicle

from busplan.plan.vehicle import Network
from busplan.timing.queue_model import Status
from busplan.timing.response import response_times
from busplan.wire.lengths import duration_ns, message_bits

NS_AT_500K = 2000


def sent(node, identifier, cycle_ms, length=8, **more):
    return stream(identifier, node=node, network="bus", cycle_ms=cycle_ms, length=length, **more)


def on_bus(streams, network=Network("bus", 500_000), **more):
    return vehicle(streams, [network], **more)


def named(timing):
    return {r.stream.message.name: r for r in timing.responses}


@pytest.mark.parametrize("rate", [125, 250, 500, 1000])
@pytest.mark.parametrize("column", ["R_davis", "R_davis_J0"])
def test_sae_benchmark(rate: int, column: str) -> None:
    # SAE class C benchmark of 17 messages: sizes and periods as in a university course's data
    # file, deadlines and jitters from memory of Tindell and Burns 1994; response times computed
    # with two independent programs, rounded to 0.01 ms (125 to 500 kbit/s: bits are whole).
    case = reference_values()["sae"][str(rate)]
    streams = [
        sent(
            f"node{i}",
            i + 1,
            m["T"],
            m["s"],
            deadline_ms=m["D"],
            jitter_ms=0 if column.endswith("J0") else m["J"],
        )
        for i, m in enumerate(case["messages"])
    ]
    timing = response_times(on_bus(streams, Network("bus", rate * 1000)), "bus")
    found = [r.response_ns / 1e6 for r in timing.responses]
    assert found == pytest.approx(case[column], abs=1e-3)
    assert timing.load == pytest.approx(case["U_new"], abs=1e-6)


def test_deadline_and_blocker_are_stated() -> None:
    v = on_bus(
        [
            sent("a", 0x10, 10, 8),
            sent("b", 0x20, 10, 1),
            sent("b", 0x30, 10, 4, deadline_ms=0.3),
        ]
    )
    first, _, last = response_times(v, "bus").responses
    # 135, 65 and 95 bits at 500 kbit/s (Davis et al. 2007: 55 + 10·s).
    assert first.blocked_by is not None
    assert first.blocked_by.message.identifier == 0x30
    assert first.response_ns == (135 + 95) * NS_AT_500K
    assert first.headroom_ns == 10_000_000 - 460_000
    assert last.blocked_by is None
    assert last.response_ns == (135 + 65 + 95) * NS_AT_500K
    assert last.missed


def test_what_delays_a_message_adds_up_to_its_response_time() -> None:
    streams = [sent(f"n{i}", i + 1, 2 + i, i % 9) for i in range(12)]
    streams += [sent("q", 0x40 + i, 9 + i, 3) for i in range(3)]
    for fifo in ([], ["q"]):
        timing = response_times(on_bus(streams, fifo=fifo), "bus")
        for response in timing.responses:
            delays = timing.delays(response)
            start = response.instance * response.stream.cycle.ns
            total = response.blocking_ns + sum(d.ns for d in delays) + response.frame_ns
            assert total == response.response_ns + start


def test_equal_identifiers_delay_each_other() -> None:
    alone = on_bus([sent("a", 0x10, 10), sent("c", 0x30, 10)])
    clash = on_bus([*alone.streams, sent("b", 0x10, 10, name="Other")])
    before = named(response_times(alone, "bus"))["M10"]
    after = named(response_times(clash, "bus"))
    assert after["M10"].response_ns == after["Other"].response_ns
    assert after["M10"].response_ns == before.response_ns + 135 * NS_AT_500K


def test_an_11_bit_identifier_goes_before_the_29_bit_one_it_begins() -> None:
    # ISO 11898-1: on equal base bits the dominant RTR and IDE bits of the 11-bit frame win.
    v = on_bus(
        [
            sent("a", 0x100 << 18, 10, extended=True, name="wide"),
            sent("b", 0x100, 10, name="narrow"),
            sent("c", (0xFF << 18) | 0x3FFFF, 10, extended=True, name="first"),
        ]
    )
    names = [r.stream.message.name for r in response_times(v, "bus").responses]
    assert names == ["first", "narrow", "wide"]


def test_a_message_without_a_period_is_not_analysed_but_delays_others_once() -> None:
    known = [sent("a", 0x20, 10), sent("a", 0x30, 10)]
    v = on_bus([*known, sent("b", 0x10, None, name="rare")])
    timing = response_times(v, "bus")
    assert [r.status for r in timing.unproven] == [Status.NO_PERIOD]
    assert timing.unproven[0].response_ns is None
    assert not timing.unproven[0].missed
    assert named(timing)["M30"].response_ns == 3 * 135 * NS_AT_500K
    assert timing.load == pytest.approx(2 * 0.27e-3 / 10e-3)


def test_a_message_longer_than_one_frame_delays_others_by_its_whole_session() -> None:
    v = on_bus([sent("a", 0x10, 100, 20), sent("b", 0x20, 10), sent("a", 0x30, 100, 9)])
    timing = response_times(v, "bus")
    assert named(timing)["M10"].status is Status.TOO_LONG
    # J1939-21 (from memory): an announcement and three packets of 7 bytes go before it; of those
    # after it one frame at most is on the wire.
    assert named(timing)["M20"].response_ns == (4 + 1 + 1) * 135 * NS_AT_500K


@pytest.mark.parametrize("queue", ["priority", "fifo"])
def test_overload_is_reported_and_does_not_hang(queue: str) -> None:
    streams = [sent("a", i, 1) for i in range(5)]
    timing = response_times(on_bus(streams, fifo=["a"] if queue == "fifo" else []), "bus")
    assert timing.load == pytest.approx(1.35)
    assert timing.responses[-1].status is Status.OVERLOAD
    assert timing.responses[-1].missed
    assert timing.responses[-1].response_ns is None
    # Only a queue by priority still protects what is urgent.
    assert (timing.responses[0].status is Status.PROVEN) == (queue == "priority")


def test_an_overloaded_queue_leaves_no_promise_to_those_below_it() -> None:
    streams = [
        sent("q", 0x10, 1),
        sent("a", 0x20, 10),
        *(sent("q", 0x30 + i, 1) for i in range(4)),
    ]
    timing = named(response_times(on_bus(streams, fifo=["q"]), "bus"))
    assert timing["M20"].status is Status.OVERLOAD


def test_can_fd_frames_cost_their_two_parts() -> None:
    v = on_bus(
        [sent("a", 0x10, 10, 64, fd=True)],
        Network("bus", 500_000, 2_000_000),
    )
    # 405.5 µs: worst case of 64 bytes at 500 kbit/s and 2 Mbit/s, computed from the widths in the
    # Linux kernel header length.h.
    assert response_times(v, "bus").responses[0].response_ns == 405_500


def test_bus_errors_cost_an_error_frame_and_a_retransmission() -> None:
    v = on_bus([sent("a", 0x10, 10), sent("b", 0x20, 10)])
    timing = response_times(v, "bus", fault_interval_ns=100_000_000)
    # 31 bits and the longest frame again (Tindell and Burns 1994, from memory).
    assert timing.responses[0].response_ns == (2 * 135 + 31 + 135) * NS_AT_500K


def test_jitter_that_came_through_a_gateway_is_not_part_of_the_own_response() -> None:
    v = on_bus(
        [
            sent("a", 0x10, 10, jitter_ms=1),
            sent("b", 0x20, 10),
        ]
    )
    alone = named(response_times(v, "bus"))
    late = named(response_times(v, "bus", inherited_ns={"bus/a/M10": 9_500_000}))
    assert alone["M10"].response_ns == late["M10"].response_ns == 1_540_000
    assert late["M10"].jitter_ns == 10_500_000
    # Two frames of the message can now arrive together ahead of the other.
    assert late["M20"].response_ns == alone["M20"].response_ns + 270_000


@st.composite
def networks(draw: st.DrawFn):
    identifiers = draw(st.lists(st.integers(0, 0x7FF), min_size=1, max_size=8, unique=True))
    rows = [
        (i, draw(st.integers(0, 8)), draw(st.integers(1, 30)), draw(st.sampled_from([0, 0.5, 7])))
        for i in sorted(identifiers)
    ]
    # Close to a load of one the busy period can outlast any test.
    load = 0.0
    for _, length, cycle, _ in rows:
        load += (55 + 10 * length) * 8e-3 / cycle
        assume(not 0.8 < load < 1)
    return rows


@given(networks(), st.sampled_from([0, 3_000_000]))
@settings(max_examples=100)
def test_a_whole_network_agrees_with_the_slow_exact_twin(rows, fault_interval: int) -> None:
    streams = [sent("a", i, t, s, jitter_ms=j) for i, s, t, j in rows]
    v = on_bus(streams, Network("bus", 125_000))
    timing = response_times(v, "bus", fault_interval_ns=fault_interval or None)
    frame = [Fraction(duration_ns(message_bits(s.message)[1], 125_000)) for s in streams]
    period = [Fraction(s.cycle.ns) for s in streams]
    jitter = [Fraction(s.jitter_ns) for s in streams]
    faults = Fraction(fault_interval) if fault_interval else None
    for m, response in enumerate(timing.responses):
        slow = instances_of(m, frame, period, jitter, Fraction(8000), faults, Fraction(31 * 8000))
        assert response.response_ns == (None if slow is None else max(slow))


def test_a_large_network_is_solved_by_the_compiled_form_with_the_same_answers() -> None:
    rows = [(i, i % 9, 100 + 7 * (i % 40), i % 3 == 0) for i in range(200)]
    streams = [sent("q" if i % 50 == 0 else "p", i, t, s, jitter_ms=j) for i, s, t, j in rows]
    v = on_bus(streams, fifo=["q"])
    large = response_times(v, "bus")
    from busplan.timing import solving

    threshold = solving.COMPILED_FROM
    try:
        solving.COMPILED_FROM = 1000
        small = response_times(v, "bus")
    finally:
        solving.COMPILED_FROM = threshold
    assert large.solution == small.solution
    assert all(r.status is Status.PROVEN for r in large.responses)
