"""Routes across gateways: figures by hand, jitter passed on, chains, circles, gateway load."""

from dataclasses import replace

import pytest
from support.vehicles import MS, stream, vehicle

from busplan.definitions.model import Signal
from busplan.plan.route import Route
from busplan.plan.vehicle import Network, Vehicle
from busplan.timing.gateways import gateway_loads, vehicle_timing
from busplan.timing.queue_model import Status

FAST = 270_000  # 135 bits at 500 kbit/s (8 bytes, Davis et al. 2007)
SLOW = 1_080_000  # the same at 125 kbit/s
NETWORKS = (Network("a", 500_000), Network("b", 125_000), Network("c", 125_000))


def holding(sent, *names):
    signals = tuple(Signal(name, 8 * i, 8) for i, name in enumerate(names))
    return replace(sent, message=replace(sent.message, signals=signals))


def forwarding(**more) -> Vehicle:
    """A message from a to b, beside one own message on each."""
    streams = [
        stream(0x10, node="x", name="Speed", cycle_ms=20),
        stream(0x20, node="x", name="Other", cycle_ms=20),
        stream(0x10, network="b", node="gate", name="Speed", cycle_ms=20, via="r"),
        stream(0x30, network="b", node="y", name="Slow", cycle_ms=50),
    ]
    route = Route("r", "message", "Speed", "a", "b", "gate", 2 * MS, **more)
    return vehicle(streams, NETWORKS[:2], routes=[route])


def test_a_forwarded_message_takes_both_networks_and_the_delay() -> None:
    (route,) = vehicle_timing(forwarding()).routes
    assert route.before_ns == 2 * FAST
    assert route.carrier is not None
    assert route.carrier.response_ns == 2 * SLOW
    assert route.latency_ns == 2 * FAST + 2 * MS + 2 * SLOW
    assert (route.sampling_ns, route.after, route.reason) == (0, (), "")


def test_how_late_it_can_be_becomes_jitter_on_the_next_network() -> None:
    timing = vehicle_timing(forwarding())
    # Latest: response and delay. Earliest: 111 bits without stuff, less 3 of intermission.
    late = 2 * FAST + 2 * MS - 108 * 2000
    assert timing.inherited_ns == {"b/gate/Speed": late}
    assert timing.by_label["b/gate/Speed"].jitter_ns == late


def test_a_route_is_held_against_its_deadline() -> None:
    latency = 2 * FAST + 2 * MS + 2 * SLOW
    for deadline, too_late in ((latency, False), (latency - 1, True), (None, False)):
        (route,) = vehicle_timing(forwarding(deadline_ns=deadline)).routes
        assert route.too_late is too_late


def sampled(*, deadline_ns: int | None = None, carrier_ms: float | None = 100) -> Vehicle:
    """A signal from a to b in the gateway's own message, and on to c in another gateway's."""
    streams = [
        holding(stream(0x10, node="x", name="Source", cycle_ms=20), "Heat"),
        holding(stream(0x20, network="b", node="g", name="One", cycle_ms=carrier_ms), "Heat"),
        holding(stream(0x20, network="c", node="h", name="Two", cycle_ms=500), "Heat"),
    ]
    routes = [
        Route(
            name="second",
            kind="signal",
            what="Heat",
            source="b",
            target="c",
            through="h",
            delay_ns=3 * MS,
            deadline_ns=deadline_ns,
        ),
        Route(
            name="first",
            kind="signal",
            what="Heat",
            source="a",
            target="b",
            through="g",
            delay_ns=2 * MS,
            deadline_ns=deadline_ns,
        ),
    ]
    return vehicle(streams, NETWORKS, routes=routes)


def test_a_signal_can_just_have_missed_the_gateways_own_message() -> None:
    first = vehicle_timing(sampled()).routes[1]
    assert first.sampling_ns == 100 * MS
    assert first.latency_ns == FAST + 2 * MS + 100 * MS + SLOW


def test_a_route_goes_on_where_another_ended() -> None:
    second, first = vehicle_timing(sampled()).routes
    assert second.after == ("first",)
    assert second.before_ns == first.latency_ns
    assert second.latency_ns == first.latency_ns + 3 * MS + 500 * MS + SLOW


def test_no_bound_when_the_carrier_states_no_period() -> None:
    second, first = vehicle_timing(sampled(carrier_ms=None, deadline_ns=10**9)).routes
    assert first.latency_ns is None
    assert first.reason == "One on b: no period"
    assert second.latency_ns is None
    assert second.reason == "One on b: no period"
    assert second.too_late


def test_a_value_of_the_gateway_itself_starts_there() -> None:
    v = sampled()
    own = replace(v.streams[0], node="g")
    v = vehicle([own, *v.streams[1:]], NETWORKS, routes=v.routes)
    first = vehicle_timing(v).routes[1]
    assert (first.source, first.before_ns) == (None, 0)
    assert first.latency_ns == 2 * MS + 100 * MS + SLOW


def test_a_route_without_anything_to_carry_says_so() -> None:
    v = vehicle(
        [stream(0x10, network="a", node="g"), stream(0x10, network="b", node="g")],
        NETWORKS[:2],
        routes=[Route("r", "signal", "Heat", "a", "b", "g")],
    )
    (route,) = vehicle_timing(v).routes
    assert route.latency_ns is None
    assert route.reason == "nobody sends Heat on a"


def test_an_overloaded_source_leaves_no_bound_beyond_the_gateway() -> None:
    v = forwarding()
    crowd = [stream(i, node="z", name=f"z{i}", cycle_ms=0.5) for i in (1, 2)]
    v = vehicle([*v.streams, *crowd], NETWORKS[:2], routes=v.routes)
    timing = vehicle_timing(v)
    assert timing.by_label["a/x/Speed"].status is Status.OVERLOAD
    assert timing.by_label["b/gate/Speed"].status is Status.OVERLOAD
    assert timing.by_label["b/y/Slow"].status is Status.OVERLOAD
    assert timing.routes[0].latency_ns is None


def test_jitter_that_grows_in_a_circle_ends_without_a_bound() -> None:
    # a → b → a under another identifier; each turn is as late as the last one and the bus between.
    streams = [
        stream(0x10, network="a", node="x", name="M", cycle_ms=1),
        stream(0x10, network="b", node="g", name="M", cycle_ms=1, via="out"),
        stream(0x08, network="a", node="h", name="M", cycle_ms=1, via="back"),
    ]
    routes = [
        Route("out", "message", "M", "a", "b", "g"),
        Route("back", "message", "M", "b", "a", "h"),
    ]
    v = vehicle(streams, (Network("a", 500_000), Network("b", 500_000)), routes=routes)
    timing = vehicle_timing(v)
    assert timing.by_label["b/g/M"].status is Status.OVERLOAD
    assert [r.latency_ns for r in timing.routes] == [None, None]


def test_gateway_load_counts_each_message_once() -> None:
    v = forwarding()
    route = v.routes[0]
    v = replace(v, routes=(route, replace(route, name="again")))
    loads = {(g.node, g.network): (g.taken_per_s, g.sent_per_s) for g in gateway_loads(v)}
    assert loads == {("gate", "a"): (pytest.approx(50), 0), ("gate", "b"): (0, pytest.approx(50))}
