"""Messages longer than a frame: their frames in the bounds and in the simulation."""

import random
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.slow_bus import slow_bus
from support.slow_timing import lone
from support.vehicles import MS, crowd, stream, vehicle

from busplan.decode.match import match_frames
from busplan.definitions.j1939 import split_identifier
from busplan.plan.vehicle import Network, SessionPace
from busplan.timing import compiled_fixed_point, fixed_point
from busplan.timing.fixed_point import UNBOUNDED
from busplan.timing.queue_model import Status
from busplan.timing.response import response_times
from busplan.timing.session_feeds import session_feeds
from busplan.timing.sessions import session_of
from busplan.timing.simulation import simulate
from busplan.timing.simulation_critical import critical_instant
from busplan.timing.simulation_feeds import feeds_of, left_out
from busplan.timing.simulation_payloads import swinging_payloads
from busplan.timing.simulation_summary import critical_responses, observed_responses, proven_timing
from busplan.transport import iso15765, j1939
from busplan.transport.iso15765 import Segmented
from busplan.transport.messages import put_together
from busplan.wire.lengths import nominal_table_bits, worst_table_bits

A = Network("a", 250_000, j1939=True)
FRAME_MS = 0.64
"""The longest 29-bit frame of 8 bytes, 160 bits, at 250 kbit/s (Davis et al. 2007)."""


def paced(sent, **pace):
    return replace(sent, pace=SessionPace(**pace))


def segmented(sent, form="normal", **pace):
    return paced(replace(sent, message=replace(sent.message, segmented=form)), **pace)


def grouped(sent):
    """The same as a message of a J1939 network."""
    fields = split_identifier(sent.message.identifier)
    return replace(sent, message=replace(sent.message, j1939=fields))


def long(identifier=0x18FF0001, *, length=20, cycle_ms=1000, node="s", **pace):
    sent = stream(identifier, node=node, extended=True, length=length, cycle_ms=cycle_ms)
    return paced(grouped(sent), **pace)


def bound_of(van, sent):
    found = response_times(van, "a").responses
    return next(r for r in found if r.stream.label == sent.label)


def test_a_session_delays_what_its_transport_frames_go_before() -> None:
    # 57 bytes: nine packets after their announcement. They go before a message that is more urgent
    # than the long message's own identifier: 11 frames of 0.64 ms, not the two of its own and of
    # what blocks it.
    victim = stream(0x1CFE0002, extended=True, node="v", cycle_ms=100)
    for rival in (long(0x1CFF0001, length=57), long(0x1CFF0001, length=57, gap_ns=0)):
        van = vehicle([victim, rival], [A])
        bound = bound_of(van, victim).response_ns
        assert bound >= 11 * FRAME_MS * MS == 7.04 * MS
        run = critical_instant(van, victim, 50 * MS)
        assert bound - 2 <= run.response_ns <= bound
    spaced = bound_of(vehicle([victim, long(0x1CFF0001, length=57, gap_ns=50 * MS)], [A]), victim)
    assert spaced.response_ns == 3 * FRAME_MS * MS


def test_the_priority_of_a_session_is_the_plans() -> None:
    between = stream(0x0CF00402, extended=True, node="v", cycle_ms=100)
    low = bound_of(vehicle([between, long()], [A]), between)
    high = bound_of(vehicle([between, long(priority=2)], [A]), between)
    assert low.response_ns == 2 * FRAME_MS * MS
    assert high.response_ns > 4 * FRAME_MS * MS


def test_a_broadcast_takes_its_packets_at_its_pace() -> None:
    # SAE J1939-21: 50 to 200 ms between the packets of a broadcast.
    stated = bound_of(vehicle([long(gap_ns=200 * MS)], [A]), long())
    unstated = bound_of(vehicle([long()], [A]), long())
    frames = 4 * (2 * FRAME_MS) * MS
    assert stated.response_ns == 600 * MS + frames
    assert unstated.response_ns == 150 * MS + frames
    assert stated.session.stated
    assert not unstated.session.stated


def test_a_broadcast_too_long_for_its_period_has_no_bound_but_others_have() -> None:
    endless = long(length=300)
    victim = stream(0x1CFE0002, extended=True, node="v", cycle_ms=100)
    van = vehicle([victim, endless], [A])
    assert bound_of(van, endless).status is Status.OVERLOAD
    assert bound_of(van, victim).response_ns == 3 * FRAME_MS * MS


def test_broadcasts_of_one_node_wait_for_each_other() -> None:
    one = long(0x18FF0001, gap_ns=50 * MS)
    two = long(0x18FF0101, length=60, gap_ns=50 * MS)
    alone = bound_of(vehicle([one], [A]), one).response_ns
    both = bound_of(vehicle([one, two], [A]), one).response_ns
    assert both > alone + 450 * MS
    often = [replace(s, cycle=replace(s.cycle, ns=600 * MS)) for s in (one, two)]
    assert bound_of(vehicle(often, [A]), often[0]).status is Status.OVERLOAD


def test_a_long_message_that_nobody_knows_how_to_send_has_no_bound() -> None:
    odd = stream(0x100, length=20)
    van = vehicle([odd, stream(0x200)], [A])
    assert bound_of(van, odd).status is Status.TOO_LONG
    assert [s.label for s, _ in left_out(van)] == [odd.label]
    assert critical_responses(van, proven_timing(van))


def random_plan(seed):
    """Up to eleven messages, two to five of them in sessions of every kind."""
    choose = random.Random(seed)
    streams = []
    for i in range(choose.randint(2, 6)):
        priority = choose.choice([2, 3, 6, 7])
        identifier = priority << 26 | choose.choice([0xFE, 0xEA, 0xFF, 0x10]) << 16 | i << 8 | i % 4
        streams.append(
            stream(
                identifier,
                node=f"n{i % 4}",
                extended=True,
                name=f"M{i}",
                length=choose.randint(0, 8),
                cycle_ms=choose.choice([10, 20, 50]) + choose.random(),
                jitter_ms=choose.choice([0, 0, 3]),
            )
        )
    for i in range(choose.randint(2, 5)):
        node = choose.randint(0, 3)
        pace = {
            "priority": choose.choice([7, 7, 4]),
            "gap_ns": choose.choice([None, 0, 1, 5, 50]),
            "window": choose.choice([0, 0, 1, 2]),
            "answer_ns": choose.choice([None, 0, 2, 10]),
        }
        for key in ("gap_ns", "answer_ns"):
            pace[key] = None if pace[key] is None else pace[key] * MS
        group = choose.choice([0xFF00 | i, 0xEF00 | choose.randint(0, 4)])
        common = {"name": f"L{i}", "node": f"n{node}", "length": choose.randint(9, 40)}
        common["cycle_ms"] = choose.choice([100, 300, 1000]) + choose.random()
        common["jitter_ms"] = choose.choice([0, 5])
        if choose.random() < 0.3:
            plain = stream(choose.choice([0x7E0, 0x100 + i]), **common)
            streams.append(segmented(plain, choose.choice(["normal", "extended"]), **pace))
        else:
            identifier = 6 << 26 | group << 8 | node
            streams.append(paced(grouped(stream(identifier, extended=True, **common)), **pace))
    fifo = choose.choice([[], [], ["n0"], ["n1", "n2"]])
    rate = choose.choice([125_000, 250_000, 500_000])
    return vehicle(streams, [replace(A, bit_rate=rate)], fifo=fifo)


def crowded(van, feeds):
    """The same with everything released at once after each jitter, first frames of sessions too."""
    streams = {s.label: s for s in van.streams}
    result = []
    for feed in feeds:
        if feed.forwards is None:
            sent = streams[feed.part_of or feed.stream.label]
            due, queued = crowd(sent, 20 * MS, 1500 * MS)
            feed = replace(feed, due_ns=due, queued_ns=queued, payloads=None)
        result.append(replace(feed, payloads=None))
    return result


@settings(max_examples=60)
@given(seed=st.integers(0, 10**6), together=st.booleans())
def test_no_response_beats_its_bound_beside_sessions(seed, together):
    van = random_plan(seed)
    timing = proven_timing(van)
    feeds = feeds_of(van, 1500 * MS, seed=seed)
    if together:
        feeds = crowded(van, feeds)
    run = simulate(list(van.networks.values()), feeds, bits=worst_table_bits)
    rows = observed_responses(run, timing)
    assert {o.stream.label for o in rows} == {s.label for s in van.streams}
    for o in rows:
        if o.bound_ns is not None and o.most_ns is not None:
            assert o.most_ns <= o.bound_ns, o.stream.label


def test_most_sessions_of_random_plans_have_bounds_that_are_not_far_off() -> None:
    shares = []
    for seed in range(40):
        van = random_plan(seed)
        feeds = crowded(van, feeds_of(van, 1500 * MS, seed=seed))
        run = simulate(list(van.networks.values()), feeds, bits=worst_table_bits)
        shares += [o.share_of_bound for o in observed_responses(run, proven_timing(van))]
    assert sum(s is not None for s in shares) > 0.8 * len(shares)
    assert np.median([s for s in shares if s is not None]) > 0.3


@settings(max_examples=60)
@given(seed=st.integers(0, 10**6))
def test_no_critical_instant_beats_its_bound_beside_sessions(seed):
    van = random_plan(seed)
    timing = proven_timing(van)
    for label, longest in critical_responses(van, timing).items():
        assert longest <= timing.by_label[label].response_ns


@settings(max_examples=40)
@given(seed=st.integers(0, 10**6), until=st.sampled_from([None, 150 * MS]))
def test_simulated_sessions_equal_the_slow_twin(seed, until):
    van = random_plan(seed)
    feeds = [replace(f, payloads=None) for f in feeds_of(van, 250 * MS, seed=seed)]
    networks = list(van.networks.values())
    run = simulate(networks, feeds, until_ns=until, bits=nominal_table_bits)
    slow = slow_bus(networks, feeds, {}, until)
    got = zip(run.feed, run.queued_ns, run.start_ns, run.end_ns, run.attempts, strict=True)
    assert sorted(tuple(map(int, row)) for row in got) == sorted(slow.frames)
    assert run.unsent.tolist() == slow.unsent


@settings(max_examples=60)
@given(st.data())
def test_a_frame_of_a_session_waits_as_long_as_the_slow_twin_says(data):
    n = data.draw(st.integers(1, 6))
    place = data.draw(st.integers(0, n - 1))
    one = data.draw(st.lists(st.integers(1, 20), min_size=n, max_size=n))
    count = data.draw(st.lists(st.integers(1, 4), min_size=n, max_size=n))
    period = data.draw(st.lists(st.integers(20, 400), min_size=n, max_size=n))
    jitter = data.draw(st.lists(st.integers(0, 300), min_size=n, max_size=n))
    own = data.draw(st.lists(st.booleans(), min_size=n, max_size=n))
    own[place] = True
    whole = [c * k for c, k in zip(one, count, strict=True)]
    numbers = (list(range(1, n + 1)), one, whole, period, jitter, [0] * n)
    got = fixed_point.lone_response(place, own, *numbers, 1, 0, 31, 10**9)
    frames = [(Fraction(c), k) for c, k in zip(one, count, strict=True)]
    spans = [[Fraction(v) for v in values] for values in (period, jitter)]
    slow = lone(place, own, frames, *spans, Fraction(1))
    assert got == (UNBOUNDED if slow is None else slow)
    arrays = [np.array(values, np.int64) for values in numbers]
    compiled = compiled_fixed_point.lone_response
    assert compiled(place, np.array(own), *arrays, 1, 0, 31, 10**9) == got


def counting(sent, times_ns):
    return np.add.outer(np.arange(len(times_ns)), np.arange(sent.message.length)).astype(np.uint8)


@pytest.mark.parametrize("length", [9, 14, 15, 57, 300])
@pytest.mark.parametrize("group", [0xFF01, 0xEF07])
@pytest.mark.parametrize("window", [0, 3])
def test_simulated_j1939_sessions_are_put_together_again(length, group, window) -> None:
    # The reader of sessions is held against other references in tests/transport.
    sent = long(6 << 26 | group << 8 | 1, length=length, cycle_ms=5000, window=window)
    van = vehicle([sent, stream(0x18FF0007, node="other", extended=True)], [A])
    run = simulate([A], feeds_of(van, 12_000 * MS, payloads=counting))
    found = j1939.reassemble(run.frames())
    assert len(found.messages) >= 2
    for i in range(2):
        assert found.messages.bytes_of(i) == bytes((np.arange(length) + i).astype(np.uint8))


@pytest.mark.parametrize("length", [5, 7, 8, 20, 100, 4100])
@pytest.mark.parametrize("form", ["normal", "extended"])
@pytest.mark.parametrize("block", [0, 4])
def test_simulated_segmented_messages_are_put_together_again(length, form, block) -> None:
    sent = segmented(
        stream(0x7E0, length=length, cycle_ms=2000), form, window=block, answer_ns=3 * MS
    )
    van = vehicle([sent], [A])
    run = simulate([A], feeds_of(van, 3900 * MS, payloads=counting))
    frames = run.frames()
    key = next(k for k in frames.groups if k.identifier == 0x7E0)
    found = iso15765.reassemble(frames, [Segmented(key, form == "extended")])
    assert len(found.messages) == run.sent[0] > 0
    assert found.messages.bytes_of(0) == bytes(np.arange(length).astype(np.uint8))
    session = session_of(van, sent)
    if session is not None:
        assert {k.identifier for k in frames.groups} == {0x7E0, 0x7E8}


def test_the_flow_control_of_a_planned_message_is_no_unknown_identifier() -> None:
    sent = segmented(stream(0x100, length=20, cycle_ms=100), flow_control=0x203)
    van = vehicle([sent])
    frames = simulate(list(van.networks.values()), feeds_of(van, 500 * MS)).frames()
    unknown = match_frames(put_together(frames, van), van).unknown
    assert not unknown
    plain = replace(sent, pace=SessionPace())
    unknown = match_frames(put_together(frames, vehicle([plain])), vehicle([plain])).unknown
    assert {key.identifier for key in unknown} == {0x203}


def test_made_up_payloads_go_through_a_session() -> None:
    sent = long(length=30)
    feeds = session_feeds(
        session_of(vehicle([sent], [A]), sent),
        np.array([0]),
        np.array([0]),
        lambda times: swinging_payloads()(sent, times),
        lambda node: False,
    )
    assert len(feeds) == 6
    assert len(simulate([A], feeds)) == 6
