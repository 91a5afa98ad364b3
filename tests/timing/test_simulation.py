"""The bus simulation: rules one by one, then everything at once against a slow twin."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.slow_bus import slow_bus
from support.vehicles import stream

from busplan.frames.kinds import BRS, ERROR, EXTENDED, FD
from busplan.plan.vehicle import Network
from busplan.timing.simulation import Faults, Feed, simulate
from busplan.wire.exact import exact_bits
from busplan.wire.lengths import durations_ns, nominal_table_bits, worst_table_bits

A = Network("a", 500_000)
B = Network("b", 250_000)
FULL = 270_000  # 135 bits at 500 kbit/s, the worst case of 8 bytes and 11 bits [ns]


def feed(sent, *times, **options):
    at = np.array(times, np.int64)
    return Feed(sent, at, at, **options)


def run(networks, feeds, **options):
    """Simulate with frames of worst-case length, so that times are round."""
    return simulate(networks, feeds, **{"bits": worst_table_bits} | options)


def ends(result, index):
    return result.end_ns[result.rows_of(index)].tolist()


def test_the_most_urgent_frame_goes_first_and_none_is_interrupted():
    feeds = [feed(stream(0x300), 0), feed(stream(0x200), 5), feed(stream(0x100), 10)]
    result = run([A], feeds)
    assert result.feed.tolist() == [0, 2, 1]
    assert result.start_ns.tolist() == [0, FULL, 2 * FULL]
    assert result.response_ns.tolist() == [FULL, 2 * FULL - 10, 3 * FULL - 5]
    assert result.busy_ns.tolist() == [3 * FULL]


def test_an_11_bit_identifier_beats_a_29_bit_one_with_the_same_first_bits():
    # ISO 11898-1: the IDE bit of the base format is dominant, SRR and IDE of the extended one are
    # recessive.
    long = stream(0x123 << 18, extended=True)
    result = run([A], [feed(long, 0), feed(stream(0x123), 0), feed(stream(0x122), 0)])
    assert result.feed.tolist() == [2, 1, 0]


def test_a_fifo_node_sends_in_order_of_queueing():
    late = [stream(0x300, node="slow"), stream(0x100, node="slow"), stream(0x200, node="other")]
    feeds = [
        feed(stream(0x010), 0),
        feed(late[0], 1, fifo=True),
        feed(late[1], 2, fifo=True),
        feed(late[2], 3),
    ]
    assert run([A], feeds).feed.tolist() == [0, 3, 1, 2]
    by_priority = [replace(f, fifo=False) for f in feeds]
    assert run([A], by_priority).feed.tolist() == [0, 2, 3, 1]


@pytest.mark.parametrize("fifo", [False, True])
def test_a_newer_instance_replaces_a_waiting_one_only_when_asked_to(fifo):
    blocker = feed(stream(0x300, node="x"), 0, 1)
    sent = feed(stream(0x200), 5, 6, 7, fifo=fifo)
    kept = run([A], [blocker, sent])
    assert len(kept.rows_of(1)) == 3
    assert kept.replaced.tolist() == [0, 0]
    newest = run([A], [blocker, replace(sent, overwrite=True)])
    assert newest.queued_ns[newest.rows_of(1)].tolist() == [7]
    assert newest.replaced.tolist() == [0, 2]


def test_a_frame_on_the_wire_is_not_replaced():
    result = run([A], [feed(stream(0x200), 0, 10, overwrite=True)])
    assert ends(result, 0) == [FULL, 2 * FULL]


def test_a_gateway_forwards_after_its_delay():
    source, target = stream(0x100), stream(0x100, network="b", node="gate", via="r")
    payload = np.arange(16, dtype=np.uint8).reshape(2, 8)
    feeds = [
        Feed(target, forwards=source.label, delay_ns=1000),
        feed(source, 0, 5_000_000, payloads=lambda times: payload),
    ]
    result = run([A, B], feeds)
    assert result.feed.tolist() == [1, 0, 1, 0]
    assert result.parent.tolist() == [-1, 0, -1, 2]
    assert result.queued_ns.tolist() == [0, FULL + 1000, 5_000_000, 5_000_000 + FULL + 1000]
    assert result.due_ns.tolist() == result.queued_ns.tolist()
    assert result.end_ns[1] == FULL + 1000 + 2 * FULL
    frames = result.frames()
    assert [frames.networks[i] for i in frames.network] == ["a", "b", "a", "b"]
    assert [frames.bytes_of(i) for i in range(4)] == [bytes(payload[i // 2]) for i in range(4)]


def test_forwarding_chains_carry_payload_and_parents_on():
    one, two = stream(0x1), stream(0x1, network="b", node="g")
    three = stream(0x1, network="c", node="h")
    payload = np.full((1, 3), 7, np.uint8)
    feeds = [
        Feed(three, forwards=two.label),
        Feed(two, forwards=one.label),
        feed(one, 0, payloads=lambda times: payload),
    ]
    result = run([A, B, Network("c", 125_000)], feeds)
    assert result.feed.tolist() == [2, 1, 0]
    assert result.parent.tolist() == [-1, 0, 1]
    assert result.frames().bytes_of(2) == b"\7\7\7"


def test_a_fault_breaks_the_frame_which_is_sent_again():
    faults = {"a": Faults(np.array([100_000, FULL + 1000]), np.array([31, 31]))}
    result = run([A], [feed(stream(0x200), 0)], faults=faults)
    second_try = 100_000 + 31 * 2000
    third_try = FULL + 1000 + 31 * 2000
    assert result.start_ns.tolist() == [third_try]
    assert result.attempts.tolist() == [3]
    assert result.error_end_ns.tolist() == [second_try, third_try]
    assert result.busy_ns.tolist() == [third_try + FULL]
    frames = result.frames()
    assert (frames.flags & ERROR > 0).tolist() == [True, True, False]
    assert len(result.frames(errors=False)) == 1


def test_a_more_urgent_frame_goes_before_the_broken_one():
    faults = {"a": Faults(np.array([100_000]), np.array([31]))}
    result = run([A], [feed(stream(0x200), 0), feed(stream(0x100), 150_000)], faults=faults)
    assert result.feed.tolist() == [1, 0]


def test_faults_on_an_idle_wire_or_in_the_intermission_do_nothing():
    faults = {"a": Faults(np.array([5, FULL - 5990]), np.array([31, 31]))}
    result = run([A], [feed(stream(0x200), 10)], faults=faults)
    assert result.end_ns.tolist() == [FULL + 10]


def test_the_run_ends_in_time_and_counts_what_waits():
    result = run([A], [feed(stream(0x200), 0, 0, 0)], until_ns=2 * FULL)
    assert len(result) == 2
    assert result.unsent.tolist() == [1]


def test_nothing_to_send_is_no_error():
    for feeds in ([], [feed(stream(0x1))]):
        result = simulate([A, B], feeds)
        assert len(result) == len(result.frames()) == 0
        assert result.sent.tolist() == [0] * len(feeds)
        assert result.busy_ns.tolist() == [0, 0]


def test_frames_carry_flags_lengths_and_time_stamps_before_the_intermission():
    sent = stream(0x123, fd=True, length=10, extended=True)
    payload = np.arange(10, dtype=np.uint8)[None, :]
    fd = Network("a", 500_000, 2_000_000)
    result = run([fd], [feed(sent, 0, payloads=lambda times: payload)])
    frames = result.frames(start_ns=1_000_000)
    assert frames.epoch
    assert frames.flags.tolist() == [EXTENDED | FD | BRS]
    assert frames.bytes_of(0) == bytes(range(10)) + b"\0\0"
    assert frames.time_ns.tolist() == [1_000_000 + result.end_ns[0] - 6000]


def test_frames_are_as_long_as_their_payload_makes_them():
    random = np.random.default_rng(1).integers(0, 256, (50, 8), dtype=np.uint8)
    times = np.arange(50) * 1_000_000
    result = simulate([A], [feed(stream(0x123), *times, payloads=lambda times: random)])
    expected = durations_ns(*exact_bits(result.frames()), A.bit_rate)
    assert (result.end_ns - result.start_ns).tolist() == expected.tolist()
    assert len(set(expected)) > 5


def test_wrong_feeds_are_refused():
    sent = stream(0x1)
    with pytest.raises(ValueError, match="no network 'a'"):
        run([B], [feed(sent, 0)])
    with pytest.raises(ValueError, match="nobody sends 'x'"):
        run([A], [Feed(sent, forwards="x")])
    with pytest.raises(ValueError, match="in a circle"):
        run([A], [Feed(sent, forwards=sent.label)])
    with pytest.raises(ValueError, match=r"not \(n, length\)"):
        run([A], [feed(sent, 0, payloads=lambda times: np.zeros((2, 8), np.uint8))])


@st.composite
def scenarios(draw):
    """Feeds on two networks with every discipline, a gateway and faults; times are coarse so that
    coincidences are common."""
    tick = 30_000
    times = st.lists(st.integers(0, 60), max_size=12).map(
        lambda ks: np.sort(np.array(ks, np.int64)) * tick
    )
    feeds = []
    for i in range(draw(st.integers(1, 7))):
        at = draw(times)
        sent = stream(
            draw(st.integers(0, 5)),
            network=draw(st.sampled_from("ab")),
            node=draw(st.sampled_from("pqr")),
            name=f"M{i}",
            length=draw(st.integers(0, 8)),
        )
        feeds.append(Feed(sent, at, at, None, sent.node == "q", draw(st.booleans())))
    for i in range(draw(st.integers(0, 2))):
        source = draw(st.sampled_from(feeds))
        there = "b" if source.stream.network == "a" else "a"
        node = draw(st.sampled_from("gq"))
        target = replace(source.stream, network=there, node=node, via=f"r{i}")
        target = replace(target, message=replace(target.message, name=f"F{i}"))
        feeds.append(
            Feed(
                target,
                fifo=node == "q",
                overwrite=draw(st.booleans()),
                forwards=source.stream.label,
                delay_ns=draw(st.sampled_from([1, 50_000])),
            )
        )
    faults = {
        name: Faults(at, np.full(len(at), draw(st.integers(17, 31))))
        for name in "ab"
        if len(at := np.unique(draw(times)))
    }
    return feeds, faults, draw(st.sampled_from([None, 900_000]))


@settings(max_examples=150)
@given(scenarios())
def test_the_simulation_equals_its_slow_twin(scenario):
    feeds, faults, until = scenario
    result = run([A, B], feeds, faults=faults, until_ns=until, bits=nominal_table_bits)
    expected = slow_bus([A, B], feeds, faults, until)
    got = {
        (int(f), int(q), int(s), int(e), int(a))
        for f, q, s, e, a in zip(
            result.feed,
            result.queued_ns,
            result.start_ns,
            result.end_ns,
            result.attempts,
            strict=True,
        )
    }
    assert len(result) == len(expected.frames)
    assert sorted(got) == sorted(expected.frames)
    lost = np.add(expected.replaced, expected.unsent)
    assert (result.replaced + result.unsent).tolist() == lost.tolist()
    if until is None:
        assert result.replaced.tolist() == expected.replaced
    assert len(result.error_end_ns) == expected.errors
