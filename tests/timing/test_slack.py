"""How far a network can grow: answers that hold, and would not one step further."""

from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from support.reference import reference_values
from support.vehicles import MS, stream, vehicle

from busplan.definitions.model import Stated
from busplan.plan.vehicle import Network, Port
from busplan.timing.response import response_times
from busplan.timing.slack import lowest_bit_rate, network_slack


def sae(rate: int, limit: float = 1.0):
    """The SAE benchmark, sizes and periods as read in a university course's data file."""
    rows = reference_values()["sae"]["125"]["messages"]
    streams = [
        stream(i + 1, node=f"n{i}", length=m["s"], cycle_ms=m["T"], deadline_ms=m["D"])
        for i, m in enumerate(rows)
    ]
    return vehicle(streams, [Network("a", rate, load_limit=limit)])


def test_two_messages_grow_until_the_second_misses() -> None:
    # 270 µs each, deadlines follow the cycle of 5.4 ms: the second one's response of 540 µs fits
    # into 5.4 ms / 10 exactly.
    v = vehicle([stream(1, cycle_ms=5.4), stream(2, cycle_ms=5.4)])
    slack = network_slack(v, "a")
    assert slack.growth == pytest.approx(10, rel=1e-3)
    assert slack.limited_by is not None
    assert slack.limited_by.message.identifier in (1, 2)


def test_a_stated_deadline_stays_where_it_is() -> None:
    v = vehicle([stream(1, cycle_ms=5.4), stream(2, cycle_ms=5.4, deadline_ms=0.5)])
    slack = network_slack(v, "a")
    assert slack.growth is None
    assert slack.limited_by is not None
    assert slack.limited_by.message.identifier == 2


def test_the_lowest_bit_rate_of_the_sae_benchmark() -> None:
    # Without jitter every deadline holds at 125 kbit/s (response times computed with two
    # independent programs); its loads of 88, 44 and 22 % meet the limit.
    assert lowest_bit_rate(sae(500_000), "a") == (125_000, ())
    assert lowest_bit_rate(sae(500_000, 0.5), "a") == (250_000, ())
    assert lowest_bit_rate(sae(500_000, 0.4), "a") == (500_000, ())
    assert lowest_bit_rate(sae(500_000, 0.05), "a") == (None, ())


def test_nodes_that_do_not_speak_the_lowest_bit_rate_are_named() -> None:
    v = sae(500_000)
    node = v.nodes["n3"]
    deaf = replace(node, on={"a": Port("", (), "n3", bit_rates=(500_000,))})
    v = replace(v, nodes={**v.nodes, "n3": deaf})
    assert lowest_bit_rate(v, "a") == (125_000, ("n3",))


def test_a_network_at_its_edge_survives_no_bus_error() -> None:
    # SAE benchmark at 125 kbit/s: the sixth message takes 4.28 ms of its 5; one error adds 31 bits
    # and the longest frame up to it, 75 bits: 5.128 ms.
    slack = network_slack(sae(125_000), "a")
    assert slack.fault_interval_ns is None
    assert slack.growth is not None
    assert 1 < slack.growth < 1.1


@st.composite
def sets(draw):
    rows = draw(st.lists(st.tuples(st.integers(0, 8), st.integers(4, 60)), min_size=1, max_size=6))
    streams = [stream(i + 1, node=f"n{i}", length=s, cycle_ms=t) for i, (s, t) in enumerate(rows)]
    return vehicle(streams, [Network("a", 125_000, load_limit=1.0)])


def stretched(v, factor: float):
    def scale(stated: Stated) -> Stated:
        return replace(stated, ns=int(stated.ns * factor))

    streams = [replace(s, cycle=scale(s.cycle), deadline=scale(s.deadline)) for s in v.streams]
    return replace(v, streams=tuple(streams))


@given(sets())
@settings(max_examples=40)
def test_growth_holds_and_one_step_more_does_not(v) -> None:
    growth = network_slack(v, "a").growth
    assert growth is not None
    assert not response_times(stretched(v, 1.0005 / growth), "a").missed
    step = 1 / growth - 1e-4
    assume(step > 0.001)
    assert response_times(stretched(v, step), "a").missed


@given(sets())
@settings(max_examples=40)
def test_the_fault_interval_holds_and_a_shorter_one_does_not(v) -> None:
    interval = network_slack(v, "a").fault_interval_ns
    assume(interval is not None)
    assert not response_times(v, "a", fault_interval_ns=interval).missed
    assert response_times(v, "a", fault_interval_ns=interval - 1000).missed


def test_planned_faults_count_in_growth() -> None:
    v = vehicle([stream(1, cycle_ms=5.4), stream(2, cycle_ms=5.4)])
    network = replace(v.networks["a"], fault_interval_ns=100 * MS)
    with_faults = network_slack(replace(v, networks={"a": network}), "a").growth
    # One error in any busy period: 31 bits and the longest frame again, 332 µs.
    assert with_faults == pytest.approx(5.4 / (0.54 + 0.332), rel=1e-3)


@pytest.mark.parametrize(("data_bit_rate", "lowest"), [(None, 500_000), (250_000, None)])
def test_no_arbitration_rate_above_the_data_rate_is_proposed(
    data_bit_rate: int | None, lowest: int | None
) -> None:
    # Eight frames of 135 bits each 5 ms: 86 % of 250 kbit/s, 43 % of 500; the limit is 50 %.
    network = Network("a", 250_000, data_bit_rate)
    v = vehicle([stream(i, cycle_ms=5) for i in range(8)], [network])
    assert lowest_bit_rate(v, "a") == (lowest, ())


def test_where_nothing_can_be_analysed_there_is_no_good_news() -> None:
    """Neither an empty network nor messages without periods show that anything holds."""
    unknown = stream(1, network="a", cycle_ms=None)
    van = vehicle([unknown, stream(2, network="b")], [Network("a", 500_000), Network("b", 500_000)])
    for empty in (van, replace(van, streams=van.streams[1:])):
        found = network_slack(empty, "a")
        assert (found.growth, found.limited_by) == (None, None)
        assert (found.lowest_bit_rate, found.fault_interval_ns) == (None, None)
    assert network_slack(van, "b").lowest_bit_rate is not None
