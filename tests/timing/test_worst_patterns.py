"""Patterns of releases made to hurt: none beats its proven bound, and the worst ones reach it.

Random patterns, critical instants and gateways: test_simulation_bounds.py.
"""

from dataclasses import replace

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from support.vehicles import MS, crowd, stream, vehicle

from busplan.plan.vehicle import Network
from busplan.timing.response import response_times
from busplan.timing.simulation import Faults, Feed, simulate
from busplan.timing.solving import solve
from busplan.wire.lengths import worst_table_bits

RATE = 125_000
SPAN = 400 * MS


def worst_seen(result, streams):
    """Longest simulated response time of each stream [ns], 0 when it sent nothing."""
    found = dict.fromkeys((s.label for s in streams), 0)
    for row, feed in enumerate(result.feed):
        label = result.feeds[feed].stream.label
        found[label] = max(found[label], int(result.response_ns[row]))
    return found


@st.composite
def plans(draw):
    """Streams of some nodes, one or two of them first-in-first-out, at a bearable load."""
    n = draw(st.integers(2, 9))
    identifiers = draw(st.lists(st.integers(0, 0x7FF), min_size=n, max_size=n, unique=True))
    streams, load = [], 0.0
    for i, identifier in enumerate(identifiers):
        extended = draw(st.booleans())
        length = draw(st.integers(0, 8))
        cycle = draw(st.integers(4, 40))
        load += (80 if extended else 55) / cycle * 8e-3 + length * 80e-3 / cycle
        streams.append(
            stream(
                identifier << 18 if extended else identifier,
                name=f"m{i}",
                node=draw(st.sampled_from(["p", "r", "q", "t"])),
                length=length,
                extended=extended,
                cycle_ms=cycle + draw(st.sampled_from([0, 0.3, 0.77])),
                jitter_ms=draw(st.sampled_from([0, 0, 0.4, 6])),
            )
        )
    assume(load < 0.85)
    fifo = draw(st.sampled_from([[], ["q"], ["q", "t"], ["p", "r", "q", "t"]]))
    return vehicle(streams, [Network("a", RATE)], fifo=fifo)


def check(v, result, fault_interval=None):
    timing = response_times(v, "a", fault_interval_ns=fault_interval)
    seen = worst_seen(result, v.streams)
    for response in timing.responses:
        if response.response_ns is not None:
            assert seen[response.stream.label] <= response.response_ns
    return timing, seen


@given(plans(), st.data())
@settings(max_examples=120)
def test_crowded_starts_never_beat_the_bound(v, data) -> None:
    # One frame is on the wire first, then all others are queued at moments close together.
    order = data.draw(st.permutations(range(len(v.streams))))
    gap = data.draw(st.sampled_from([0, 1, 8000, 200_000, 2 * MS]))
    feeds = []
    for place, i in enumerate(order):
        sent = v.streams[i]
        due, queued = crowd(sent, 10 * MS + min(place, 1) + place * gap, SPAN)
        fifo = v.nodes[sent.node].part.queue == "fifo"
        feeds.append(Feed(sent, due, queued, fifo=fifo))
    check(v, simulate(list(v.networks.values()), feeds, bits=worst_table_bits))


@given(plans(), st.integers(3, 60), st.integers(0, 10 * MS))
@settings(max_examples=80)
def test_bus_errors_never_beat_the_bound(v, every_ms: int, first: int) -> None:
    at = np.arange(first, SPAN, every_ms * MS, dtype=np.int64)
    faults = {"a": Faults(at, np.full(len(at), 31))}
    feeds = []
    for place, sent in enumerate(v.streams):
        due, queued = crowd(sent, min(place, 1), SPAN)
        feeds.append(Feed(sent, due, queued, fifo=v.nodes[sent.node].part.queue == "fifo"))
    networks = list(v.networks.values())
    result = simulate(networks, feeds, faults=faults, bits=worst_table_bits)
    check(v, result, every_ms * MS)


def reach(streams, network, index):
    """Simulate the critical instant of one stream: the longest later frame starts 1 ns earlier."""
    later = max(streams[index + 1 :], key=lambda s: s.message.length, default=None)
    feeds = []
    for k, sent in enumerate(streams):
        if sent is later:
            feeds.append(Feed(sent, np.zeros(1, np.int64), np.zeros(1, np.int64)))
        elif k <= index:
            due, queued = crowd(sent, 1, 200 * MS)
            feeds.append(Feed(sent, due, queued))
    result = simulate([network], feeds, bits=worst_table_bits)
    return worst_seen(result, streams)[streams[index].label], 0 if later is None else 1


def test_a_later_instance_can_be_the_worst_and_is_reached() -> None:
    # As in Davis et al. 2007: the first instance is not the worst. Three messages of one frame time
    # each; at 500 kbit/s 135 bits are 270 µs, periods scaled from 2.5, 3.5, 3.5.
    frame = 0.27
    streams = [
        stream(i + 1, node=f"n{i}", cycle_ms=t * frame) for i, t in enumerate((2.5, 3.5, 3.5))
    ]
    network = Network("a", 500_000)
    timing = response_times(vehicle(streams, [network]), "a")
    assert [r.response_ns for r in timing.responses] == [540_000, 810_000, 945_000]
    seen, _ = reach(streams, network, 2)
    assert seen == 945_000
    assert timing.responses[2].instance == 1


@st.composite
def queues(draw):
    """A first-in-first-out node whose messages are rare, and others that come often."""
    identifiers = draw(st.lists(st.integers(0, 0x7FF), min_size=5, max_size=8, unique=True))
    streams = [
        stream(
            identifier,
            name=f"m{i}",
            node="q" if i < 3 else f"p{i}",
            length=draw(st.integers(0, 8)),
            cycle_ms=500 if i < 3 else draw(st.integers(8, 40)),
        )
        for i, identifier in enumerate(identifiers)
    ]
    return vehicle(streams, [Network("a", RATE)], fifo=["q"])


@given(queues())
@settings(max_examples=60)
def test_one_queue_has_the_published_response_time(v) -> None:
    # Davis, Kollmann, Pollex, Slomka, ECRTS 2011 (equations from memory): with L the lowest member,
    # w = B_L + C_SUM - C_MIN + sum over others above L, R = w + C_MIN.
    timing = response_times(v, "a")
    model = timing.model
    members = [i for i, q in enumerate(model.queue) if q >= 0]
    lowest = members[-1]
    block = max(model.frame[lowest + 1 :], default=0)
    total = sum(model.frame[i] for i in members)
    shortest = min(model.frame[i] for i in members)
    w = grown = block + total - shortest
    while True:
        others = (
            -(-(w + model.bit) // model.period[k]) * model.frame[k]
            for k in range(lowest)
            if k not in members
        )
        grown = block + total - shortest + sum(others)
        if grown == w:
            break
        w = grown
    assert {timing.responses[i].response_ns for i in members} == {w + shortest}


def test_a_queue_reaches_its_bound() -> None:
    # Equal frames: the queue's last frame waits for the blocking one, the others of the queue and
    # a more urgent one of another node.
    queue = [stream(i, node="q", cycle_ms=50) for i in (0x300, 0x100, 0x200)]
    urgent = stream(0x250, node="p", cycle_ms=50)
    lazy = stream(0x400, node="z", cycle_ms=50)
    v = vehicle([*queue, urgent, lazy], [Network("a", RATE)], fifo=["q"])
    feeds = [Feed(lazy, np.array([0]), np.array([0])), Feed(urgent, np.array([1]), np.array([1]))]
    feeds += [Feed(s, np.array([1]), np.array([1]), fifo=True) for s in queue]
    timing, seen = check(v, simulate([v.networks["a"]], feeds, bits=worst_table_bits))
    bounds = {r.stream.label: r.response_ns for r in timing.responses}
    last = max(queue, key=lambda s: seen[s.label])
    assert seen[last.label] == bounds[last.label] - 1


def test_a_message_held_up_in_a_queue_comes_twice_where_priorities_alone_say_once() -> None:
    # f_k: "urgent" waits behind "lazy" of its own node while the crowd is sent, until its next
    # instance has come as well; then both go before the victim. A bound without f_k is beaten.
    lazy = stream(0x700, name="lazy", node="q", cycle_ms=40)
    urgent = stream(0x010, name="urgent", node="q", cycle_ms=5)
    crowded = [stream(0x610 + i, node=f"p{i}", cycle_ms=40) for i in range(5)]
    victim = stream(0x600, name="victim", node="v", cycle_ms=40)
    v = vehicle([lazy, urgent, *crowded, victim], [Network("a", RATE)], fifo=["q"])
    frame = 1_080_000  # 135 bits of 8 µs

    def feed(sent, *times, fifo=False):
        return Feed(sent, np.array(times), np.array(times), fifo=fifo)

    feeds = [feed(s, 0) for s in crowded]
    feeds += [feed(lazy, 0, fifo=True), feed(urgent, 1, 5 * MS + 1, fifo=True)]
    feeds.append(feed(victim, 5 * frame + 1))
    timing, seen = check(v, simulate([v.networks["a"]], feeds, bits=worst_table_bits))
    place = [r.stream.message.name for r in timing.responses].index("victim")
    without = solve(replace(timing.model, queue=[-1] * len(v.streams))).response[place]
    assert without == 3 * frame
    assert seen["a/v/victim"] == 4 * frame - 1 > without
    assert seen["a/v/victim"] <= timing.responses[place].response_ns
