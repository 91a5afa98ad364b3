"""Bounds of routes that rename, pace and combine, by hand and against the bus simulation."""

import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.vehicles import MS, stream, vehicle

from busplan.definitions.model import Signal
from busplan.plan.carrying import forwarded, paced
from busplan.plan.route import Route
from busplan.plan.vehicle import Network, Stream, Vehicle
from busplan.timing.gateways import route_carriers, route_sources, vehicle_timing
from busplan.timing.simulation import Simulation, simulate
from busplan.timing.simulation_feeds import feeds_of
from busplan.wire.lengths import worst_table_bits

FAST = 270_000
"""135 bits at 500 kbit/s: 8 bytes with the most stuff bits (Davis et al. 2007)."""
NETWORKS = (Network("a", 500_000), Network("b", 500_000))
SPAN = 600 * MS


def holding(sent: Stream, *names: str) -> Stream:
    signals = tuple(Signal(name, 8 * i, 8) for i, name in enumerate(names))
    return replace(sent, message=replace(sent.message, signals=signals))


def carrying(streams: list[Stream], routes: list[Route]) -> Vehicle:
    return vehicle(paced(forwarded(streams, routes), routes), NETWORKS, routes=routes)


def test_a_message_on_the_gateways_clock_can_just_have_missed_it() -> None:
    route = Route("r", "message", "M", "a", "b", "g", 2 * MS, cycle_ns=40 * MS, renamed="N")
    v = carrying([stream(1, node="x", name="M", cycle_ms=10)], [route])
    (timed,) = vehicle_timing(v).routes
    assert timed.sampling_ns == 40 * MS
    assert timed.latency_ns == FAST + 2 * MS + 40 * MS + FAST
    assert not vehicle_timing(v).inherited_ns.get("b/g/N")


def test_a_copy_of_the_gateways_own_starts_at_the_gateway() -> None:
    route = Route("r", "message", "M", "a", "b", "g", 1 * MS)
    v = carrying([stream(1, node="g", name="M", cycle_ms=10, jitter_ms=2)], [route])
    (timed,) = vehicle_timing(v).routes
    assert (timed.source, timed.sampling_ns) == (None, 0)
    assert timed.latency_ns == 1 * MS + 2 * MS + FAST


def test_a_signal_into_a_message_counts_only_that_message() -> None:
    streams = [
        holding(stream(1, node="x", name="M", cycle_ms=10), "Heat"),
        holding(stream(2, network="b", node="g", name="Slow", cycle_ms=500), "Warm"),
        holding(stream(3, network="b", node="g", name="Quick", cycle_ms=20), "Warm"),
    ]
    route = Route("r", "signal", "Heat", "a", "b", "g", renamed="Warm", into="Quick")
    (timed,) = vehicle_timing(carrying(streams, [route])).routes
    assert timed.latency_ns == FAST + 20 * MS + 2 * FAST
    (timed,) = vehicle_timing(carrying(streams, [replace(route, into=None)])).routes
    assert timed.sampling_ns == 500 * MS


def carrying_at_random(seed: int) -> Vehicle:
    """A plan of two networks and one gateway with every kind of route."""
    choose = random.Random(seed)
    streams = [
        holding(
            stream(
                choose.randrange(0x700),
                node=f"n{choose.randint(0, 3)}",
                name=f"M{i}",
                length=choose.randint(1, 8),
                cycle_ms=choose.choice([5, 10, 20]) + choose.random(),
                jitter_ms=choose.choice([0, 0.5, 2]),
            ),
            f"S{i}",
        )
        for i in range(choose.randint(3, 8))
    ]
    names = [s.message.name for s in streams]
    routes: list[Route] = []
    carriers: dict[str, list[str]] = {}
    for i, name in enumerate(names):
        kind = choose.choice(["none", "arrival", "timer", "signal", "signal"])
        delay = choose.choice([0, 1, 3]) * MS
        if kind == "signal":
            into = f"Sum{choose.randint(0, 1)}"
            carriers.setdefault(into, []).append(f"T{i}")
            routes.append(
                Route(f"r{i}", "signal", f"S{i}", "a", "b", "g", delay, renamed=f"T{i}", into=into)
            )
        elif kind != "none":
            cycle = choose.choice([7, 15, 40]) * MS + 1 if kind == "timer" else None
            routes.append(
                Route(
                    name=f"r{i}",
                    kind="message",
                    what=name,
                    source="a",
                    target="b",
                    through="g",
                    delay_ns=delay,
                    renamed=f"N{i}",
                    identifier=choose.randrange(0x700),
                    cycle_ns=cycle,
                )
            )
    for into, signals in carriers.items():
        cycle_ms = choose.choice([6, 11, 30]) + choose.random()
        sent = stream(choose.randrange(0x700), network="b", node="g", name=into, cycle_ms=cycle_ms)
        streams.append(holding(sent, *signals))
    streams.append(stream(0x7F0, network="b", node="y", name="Other", cycle_ms=5))
    streams.append(stream(0x7F1, node="g", name="Own", cycle_ms=13))
    routes.append(Route("own", "message", "Own", "a", "b", "g", 1 * MS))
    return carrying(streams, routes)


def latencies(run: Simulation, v: Vehicle, route: Route) -> np.ndarray:
    """From due at the source to the end of the first frame by which the gateway can send it on."""
    feeds = {f.stream.label: i for i, f in enumerate(run.feeds)}
    (source,) = route_sources(v, route)
    (carrier,) = route_carriers(v, route)
    sent, taken = run.rows_of(feeds[source.label]), run.rows_of(feeds[carrier.label])
    ready = run.end_ns[sent] + route.delay_ns
    if carrier.forwarded:
        by_parent = {int(p): int(r) for r, p in zip(taken, run.parent[taken], strict=True)}
        pairs = [(int(s), by_parent[int(s)]) for s in sent if int(s) in by_parent]
    else:
        nth = np.searchsorted(run.queued_ns[taken], ready)
        pairs = [(int(s), int(taken[n])) for s, n in zip(sent, nth, strict=True) if n < len(taken)]
    return np.array([run.end_ns[t] - run.due_ns[s] for s, t in pairs], np.int64)


@settings(max_examples=40)
@given(seed=st.integers(0, 10**6))
def test_no_route_takes_longer_in_the_simulation_than_is_proven(seed: int) -> None:
    v = carrying_at_random(seed)
    feeds = feeds_of(v, SPAN, seed=seed)
    assert {f.stream.label for f in feeds} == {s.label for s in v.streams}
    run = simulate(list(NETWORKS), feeds, bits=worst_table_bits)
    timing = vehicle_timing(v)
    for i, feed in enumerate(run.feeds):
        bound = timing.by_label[feed.stream.label].response_ns
        rows = run.rows_of(i)
        if bound is not None and len(rows):
            assert run.response_ns[rows].max() <= bound
    for route in timing.routes:
        if route.latency_ns is None or route.source is None:
            continue
        seen = latencies(run, v, route.route)
        assert len(seen) > 3
        assert seen.max() <= route.latency_ns


def test_the_bound_of_a_paced_route_is_nearly_reached() -> None:
    route = Route("r", "message", "M", "a", "b", "g", 2 * MS, cycle_ns=40 * MS, renamed="N")
    v = carrying([stream(1, node="x", name="M", cycle_ms=9.7)], [route])
    run = simulate(list(NETWORKS), feeds_of(v, 20 * SPAN, seed=1), bits=worst_table_bits)
    (timed,) = vehicle_timing(v).routes
    assert timed.latency_ns is not None
    assert latencies(run, v, route).max() > timed.latency_ns - 1 * MS


@pytest.mark.parametrize("delay_ms", [0, 3])
def test_a_copy_is_queued_with_its_original(delay_ms: int) -> None:
    route = Route("r", "message", "M", "a", "b", "g", delay_ms * MS)
    v = carrying([stream(1, node="g", name="M", cycle_ms=10, jitter_ms=2)], [route])
    one, two = feeds_of(v, SPAN)
    assert (two.queued_ns - one.queued_ns == delay_ms * MS).all()
