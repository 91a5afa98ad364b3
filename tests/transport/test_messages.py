"""Messages of several frames beside single frames: found, decoded, nothing lost."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.slow_codec import slow_value
from support.transport_traffic import MS, Frame, broadcast, connection, segmented, spread, table
from support.vehicles import stream, vehicle

from busplan.bench.joining import join
from busplan.bench.prove import prove_node
from busplan.capture.capture import Capture
from busplan.decode.codec import Codec
from busplan.decode.match import match_frames
from busplan.decode.series import decode_series, decode_table
from busplan.definitions.j1939 import split_identifier
from busplan.definitions.model import Message, Origin, Signal, Stated
from busplan.findings import Weight
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import EXTENDED
from busplan.frames.table import concatenate
from busplan.plan.vehicle import Network, Stream, Vehicle
from busplan.replay.opening import replay_of
from busplan.replay.replay import Replay
from busplan.transport.iso15765 import Segmented
from busplan.transport.messages import Messages, put_together

LONG = 0x1CFECA01
"""A J1939 message of this priority is in the plan; its sessions carry none."""


def defined(identifier: int, signals: list[Signal], length: int, **more: object) -> Stream:
    made = stream(identifier, extended=identifier > 0x7FF, length=length, name="Long")
    fields = split_identifier(identifier) if identifier > 0x7FF else None
    message = replace(made.message, signals=tuple(signals), j1939=fields, **more)  # type: ignore[arg-type]
    return replace(made, message=message)


def plan(*streams: Stream) -> Vehicle:
    return vehicle(streams, [Network("a", 250_000, j1939=True), Network("b", 500_000)])


def test_a_long_message_is_decoded_at_the_time_of_its_last_packet() -> None:
    data = bytes(range(200)) * 5
    signals = [
        Signal("First", 0, 8),
        Signal("Far", 8 * 700, 16, scale=0.5),
        Signal("Last", 8 * 999 + 7, 8, big_endian=True),
    ]
    seen = table(spread(broadcast(1, 0xFECA, data)))
    got = decode_table(seen, plan(defined(LONG, signals, 1000)))
    assert got["time_s"].unique() == pytest.approx([143 * 0.02])
    values = dict(zip(got["signal"], got["value"], strict=True))
    far = int.from_bytes(data[700:702], "little")
    assert values == {"First": 0, "Far": far / 2, "Last": data[999]}


@given(st.data())
@settings(max_examples=30)
def test_signals_anywhere_in_a_long_payload_equal_the_slow_codec(data: st.DataObject) -> None:
    size = data.draw(st.integers(9, 1785))
    payload = np.random.default_rng(size).bytes(size)
    width = data.draw(st.integers(1, 64))
    start = data.draw(st.integers(0, 8 * size - width))
    signal = Signal("S", start, width, signed=data.draw(st.booleans()))
    messages = put_together(table(spread(broadcast(1, 0xFECA, payload))))
    ((_, rows),) = [(k, r) for k, r in messages.groups.items() if k not in messages.carriers]
    one = Codec(Message("M", 1, True, size, (signal,))).decode(*messages.pick(rows))
    assert one["S"].values.tolist() == [slow_value(signal, payload)]
    assert one["S"].present.all()


def test_a_message_that_comes_both_ways_is_one_message() -> None:
    # Eight bytes go in a single frame, more by a session.
    frames = spread(broadcast(1, 0xFECA, bytes([7] * 20)))
    frames.insert(2, Frame(25 * MS, 0x18FECA01, bytes([5] * 8)))
    frames.append(Frame(900 * MS, 0x18FECA01, bytes([6] * 8)))
    wanted = plan(defined(LONG, [Signal("S", 0, 8), Signal("T", 80, 8)], 20))
    got = decode_table(table(frames), wanted)
    assert got["value"].tolist() == [5, 7, 7, 6]
    series = decode_series(table(frames), wanted)
    list(series.pieces())
    assert [f.code for f in series.findings()] == ["frame-short"]
    assert series.tallies()[0].frames == 3


def test_transport_frames_are_not_unknown_but_unknown_messages_are() -> None:
    frames = [*broadcast(1, 0xFECA, bytes(20)), *connection(2, 3, 0xEF00, bytes(20))]
    messages = put_together(table(spread(frames)), plan(defined(LONG, [], 20)))
    assert match_frames(messages, plan(defined(LONG, [], 20))).unknown == {
        FrameKey("a", True, 0x18EF0302): 1
    }


def test_only_networks_that_speak_j1939_are_followed() -> None:
    frames = [f._replace(network="b") for f in spread(broadcast(1, 0xFECA, bytes(20)))]
    assert put_together(table(frames), plan()).parts == ()
    # Without a plan: where a session was announced as it should be.
    both = [*frames, *spread([Frame(0, 0x1CEBFF01, bytes(8))] * 3)]
    (found,) = put_together(table(both)).parts
    assert {p.network for p in found.sessions.parties} == {"b"}


def test_a_segmented_message_replaces_its_frames() -> None:
    data = bytes(range(40))
    frames = [*segmented(0x7E8, data), *segmented(0x7E8, b"\x05"), Frame(0, 0x100, b"\x09")]
    seen = table(spread(frames), flags=0)
    one = defined(0x7E8, [Signal("S", 0, 8), Signal("T", 8 * 39, 8)], 40, segmented="normal")
    got = decode_table(seen, plan(one))
    assert got[["signal", "value"]].values.tolist() == [["S", 0.0], ["T", 39.0], ["S", 5.0]]
    told = put_together(seen, told=[Segmented(FrameKey("a", False, 0x7E8))])
    assert told.groups.keys() == {FrameKey("a", False, 0x7E8), FrameKey("a", False, 0x100)}
    assert [told.bytes_of(r) for r in told.rows_of(FrameKey("a", False, 0x7E8))] == [data, b"\x05"]


@given(st.lists(st.integers(0, 30), max_size=12), st.randoms(use_true_random=False))
@settings(max_examples=40)
def test_any_rows_can_be_picked(sizes: list[int], rng: object) -> None:
    frames, payloads = [], []
    for i, size in enumerate(sizes):
        payloads.append(bytes([i] * size))
        frames += broadcast(i, 0xFECA, payloads[-1]) if size > 8 else [Frame(0, i, payloads[-1])]
    seen = table(spread(frames))
    messages = put_together(seen)
    rows = [r for k, rows in messages.groups.items() if k not in messages.carriers for r in rows]
    rng.shuffle(rows)  # type: ignore[attr-defined]
    picked, places = messages.pick(np.array(rows, np.int64))
    assert [picked.bytes_of(p) for p in places] == [messages.bytes_of(r) for r in rows]
    assert sorted(messages.bytes_of(r) for r in rows) == sorted(payloads)
    assert picked.time_ns[places].tolist() == messages.times(np.array(rows, np.int64)).tolist()


def test_the_columns_of_frames_stay_as_they_are() -> None:
    seen = table(spread(broadcast(1, 0xFECA, bytes(1785))))
    messages = put_together(seen)
    assert messages.frames is seen
    assert seen.length.dtype == np.uint8
    assert messages.joined is not None
    assert messages.joined.length.tolist() == [1785]


def test_a_table_without_sessions_costs_nothing() -> None:
    seen = concatenate([table([Frame(0, 1, b"")])])
    messages = put_together(seen)
    assert messages.parts == ()
    assert messages.pick(np.array([0]))[0] is seen
    assert Messages(seen).groups == seen.groups
    assert seen.flags[0] == EXTENDED


def test_the_screens_show_long_messages_and_know_their_packets() -> None:
    data = bytes(range(100))
    frames = [*broadcast(1, 0xFECA, data), *broadcast(2, 0xFECB, data)]
    cut = broadcast(1, 0xFECA, data[::-1])[:4]
    seen = table(spread([*frames, *cut]))
    wanted = plan(defined(LONG, [Signal("Far", 8 * 99, 8)], 100))
    capture = Capture(seen, (), ())
    replay = replay_of(capture, replace(wanted, source="plan.toml"))
    (line,) = [line for line in replay.lines.lines if line.key.identifier == LONG]
    at = replay.span_ns
    position = int(replay.snapshot(at).ages.position[replay.lines.number[line.key]])
    (value,) = replay.values(line, position)
    assert (value.number, value.time_ns) == (99, 15 * 20 * MS)
    names = {line.label: line.name for line in replay.lines.lines}
    assert names["0x1CECFF01"] == names["0x1CEBFF01"] == "(parts)"
    assert names["0x18FECB02"] == "?"
    codes = Counter(f.code for f in replay.findings)
    # The second message is in no plan; the third goes on after the capture.
    assert codes["identifier-unplanned"] == 1
    assert codes["transport-partly-recorded"] == 1


def test_the_bench_judges_a_node_by_its_whole_messages() -> None:
    data = [bytes([i] * 30) for i in range(12)]
    sent = [f for i, d in enumerate(data) for f in spread(broadcast(1, 0xFF21, d), i * 1000 * MS)]
    signals = [Signal("S", 0, 8), Signal("T", 8 * 29, 8)]
    one = replace(defined(0x1CFF2101, signals, 30), cycle=Stated(1000 * MS, Origin.PLAN))
    wanted = plan(one)
    report = prove_node(table(sent), wanted, "n", "a")
    (proof,) = report.messages
    assert (proof.frames, proof.lengths) == (12, {30: 12})
    assert report.unknown == ()
    assert [f.code for f in report.findings if f.weight > Weight.NOTE] == []
    assert report.frames == len(sent)
    broken = prove_node(table([f for i, f in enumerate(sent) if i != 8]), wanted, "n", "a")
    assert "transport-broken" in [f.code for f in broken.findings]
    assert broken.messages[0].frames == 11


def test_an_unknown_long_message_joins_with_all_its_frames() -> None:
    sent = [f for i in range(5) for f in spread(broadcast(2, 0xFF22, bytes(30)), i * 1000 * MS, MS)]
    wanted = plan(defined(LONG, [], 8), stream(1, node="other"))
    report = prove_node(table(sent), wanted, "n", "a")
    assert [(u.label, u.lengths) for u in report.unknown] == [("0x18FF2202", (30,))]
    joined = join(wanted, report)
    # By hand: frames of 8 bytes have 160 bits at most. The defined message every 10 ms, the unknown
    # one every second with its announcement and five packets.
    assert joined.load_after - joined.load_before == pytest.approx((100 + 6) * 160 / 250_000)


def test_the_share_of_a_segmented_identifier_is_that_of_its_frames() -> None:
    frames = spread(segmented(0x7E8, bytes(40)) * 10)
    seen = table(frames, flags=0)
    one = defined(0x7E8, [], 40)
    told = plan(replace(one, message=replace(one.message, segmented="normal")))
    shots = [Replay.of(v, seen).snapshot(seen.span_ns) for v in (told, plan(one))]
    shares = [float(shot.share.sum()) for shot in shots]
    assert shares[0] == pytest.approx(shares[1])
    assert shares[0] > 0
