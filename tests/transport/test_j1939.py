"""J1939 sessions against a recorded one, a reference stack, a slow twin and what was sent."""

import random
from collections import Counter
from collections.abc import Sequence

import j1939.j1939_21
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.slow_transport import slow_j1939
from support.transport_traffic import (
    MS,
    Frame,
    abort,
    broadcast,
    clear,
    connection,
    control,
    extended_connection,
    packet,
    spread,
    table,
)

from busplan.transport import j1939 as transport
from busplan.transport import sessions
from busplan.transport.endings import COMPLETE
from busplan.transport.j1939 import reassemble
from busplan.transport.report import ENDINGS
from busplan.transport.sessions import Reassembly

DATA = bytes(range(1, 31))


def messages(found: Reassembly) -> list[tuple[int, bytes]]:
    """Identifier and payload of every message."""
    made = found.messages
    return [(int(made.identifier[i]), made.bytes_of(i)) for i in range(len(made))]


def endings(found: Reassembly) -> list[str]:
    """How the sessions ended, in short words."""
    return [ENDINGS[e].name for e in found.sessions.ending.tolist()]


def session_facts(found: Reassembly) -> Counter[tuple[object, ...]]:
    """Each session as the slow twin tells it."""
    made = {
        (int(found.messages.time_ns[i]), int(found.messages.identifier[i]) & 0xFF): i
        for i in range(len(found.messages))
    }
    s = found.sessions
    facts: Counter[tuple[object, ...]] = Counter()
    for i in range(len(s)):
        sender, receiver = s.parties[s.party[i]].label.split(" to ")
        who = int(sender, 16), 255 if receiver == "all" else int(receiver, 16)
        data = b""
        if s.ending[i] == COMPLETE:
            data = found.messages.bytes_of(made[int(s.final_ns[i]), who[0]])
        ending = ENDINGS[int(s.ending[i])].name
        final = int(s.final_ns[i])
        facts[who, ending, data, final, int(s.repeats[i]), bool(s.unanswered[i])] += 1
    return facts


def twin_facts(frames: Sequence[Frame]) -> Counter[tuple[object, ...]]:
    return Counter(
        (t.who[1:], t.ending, t.data, t.time_ns, t.repeats, t.unanswered)
        for t in slow_j1939(frames)
    )


def test_a_recorded_broadcast() -> None:
    # Times, packets and the message were read in test/data/logfile.asc of the python-can 4.6.1
    # source distribution, whose recorder put the message together itself: group FEE3, priority 6,
    # source 0, 0x23 bytes, at the time of the last packet. The announcement and the fifth packet,
    # which it does not list, are added here.
    payloads = [
        "01A00FA6603BD140",
        "021FDE8025DFC02B",
        "03E1004BFFFF3C0F",
        "04004BFFFFFFFFFF",
        "05FFFFFFFFFFFFFF",
    ]
    times = [3_098_426_000, 3_148_421_000, 3_197_693_000, 3_248_765_000, 3_297_743_000]
    frames = [Frame(3_048_000_000, 0x18ECFF00, bytes.fromhex("20230005FFE3FE00"))]
    frames += [Frame(t, 0x18EBFF00, bytes.fromhex(p)) for t, p in zip(times, payloads, strict=True)]
    found = reassemble(table(frames))
    expected = "A00FA6603BD1401FDE8025DFC02BE1004BFFFF3C0F004B" + "FF" * 12
    assert messages(found) == [(0x18FEE300, bytes.fromhex(expected))]
    assert found.messages.time_ns.tolist() == [3_297_743_000]


def test_the_same_log_as_it_is_lacks_the_announcement() -> None:
    frames = [Frame(0, 1, b""), Frame(9_000_000_000, 0x18EBFF00, bytes.fromhex("01A00FA6603BD140"))]
    assert endings(reassemble(table(frames))) == ["unannounced"]


class Stack:
    """Nodes of the can-j1939 library (2.0.12) on a bus of lists with a clock of our own."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *, block: int = 3) -> None:
        self.now = 100.0
        self.frames: list[Frame] = []
        self.queue: list[tuple[int, bytes]] = []
        self.received: list[tuple[int, int, bytes]] = []
        monkeypatch.setattr(j1939.j1939_21.time, "time", lambda: self.now)
        self.layer = j1939.j1939_21.J1939_21(
            self.send, lambda: None, self.deliver, block, None, None, lambda address: True
        )

    def send(self, identifier: int, extended: bool, data: Sequence[int], *more: object) -> None:
        self.queue.append((identifier, bytes(data)))

    def deliver(self, priority: int, pgn: int, sa: int, da: int, time: float, data: object) -> None:
        self.received.append((pgn, sa, bytes(data)))  # type: ignore[call-overload]

    def run(self, seconds: float) -> None:
        """Let time pass; every frame sent is heard by all, and recorded."""
        end = self.now + seconds
        while self.now < end:
            self.now += 0.01
            self.layer.async_job_thread(self.now)
            while self.queue:
                identifier, data = self.queue.pop(0)
                self.frames.append(Frame(round(self.now * 1e9), identifier, data))
                self.layer.notify(identifier, data, self.now)


@pytest.mark.parametrize("size", [9, 14, 20, 100, 1785])
@pytest.mark.parametrize("destination", [255, 0x21])
def test_messages_of_a_reference_stack(
    monkeypatch: pytest.MonkeyPatch, size: int, destination: int
) -> None:
    stack = Stack(monkeypatch)
    data = random.Random(size).randbytes(size)
    # Group 0xEF00 (proprietary A) has a destination.
    stack.layer.send_pgn(0, 0xEF, destination, 6, 0x80, list(data), 0, None)
    stack.run(20)
    found = reassemble(table(stack.frames))
    assert messages(found) == [(0x18EF0080 | destination << 8, data)]
    assert [d for _, sa, d in stack.received if sa == 0x80] == [data]
    assert not found.sessions.unanswered.any()


def test_time_outs_are_those_of_a_reference_stack() -> None:
    # can-j1939 2.0.12, class J1939_21.Timeout, "according SAE J1939/21".
    limits = j1939.j1939_21.J1939_21.Timeout
    assert limits.T1 * 1e9 == transport.BROADCAST_TIMEOUT_NS
    assert max(limits.T1, limits.T2, limits.T3, limits.T4) * 1e9 == (
        transport.CONNECTION_TIMEOUT_NS
    )


def test_a_pdu1_group_names_its_destination_and_a_pdu2_group_cannot() -> None:
    frames = connection(0xE5, 0x56, 0xEF00, DATA) + connection(0xE5, 0x56, 0xFECA, DATA)
    found = reassemble(table(spread(frames)))
    assert messages(found) == [(0x18EF56E5, DATA), (0x18FECAE5, DATA)]


def test_a_receiver_asks_for_packets_again() -> None:
    frames = connection(1, 2, 0xEF00, DATA)
    again = [clear(1, 2, 0xEF00, 2, 2), frames[3], frames[4]]
    found = reassemble(table(spread([*frames[:5], *again, *frames[5:]])))
    assert messages(found) == [(0x18EF0201, DATA)]
    assert found.sessions.repeats.tolist() == [2]


def test_a_connection_that_nobody_acknowledges() -> None:
    frames = connection(1, 2, 0xEF00, DATA)[:-1]
    for after in (connection(1, 2, 0xEF00, DATA), [Frame(0, 0, b"")]):
        seen = [*spread(frames), after[0]._replace(time_ns=5000 * MS)]
        found = reassemble(table(seen))
        assert messages(found) == [(0x18EF0201, DATA)]
        assert found.sessions.unanswered[0]
    found = reassemble(table(spread(frames)))
    assert not found.sessions.unanswered.any()


def test_a_packet_lost_by_its_receiver_and_sent_later_is_put_in_place() -> None:
    frames = connection(1, 2, 0xEF00, DATA)
    late = [*frames[:3], *frames[4:7], clear(1, 2, 0xEF00, 2, 1), frames[3], frames[7]]
    found = reassemble(table(spread(late)))
    assert messages(found) == [(0x18EF0201, DATA)]
    assert found.messages.time_ns.tolist() == [20 * MS * 7]


def test_extended_transport() -> None:
    data = random.Random(1).randbytes(5000)
    found = reassemble(table(spread(extended_connection(1, 2, 0xEF00, data, block=200))))
    assert messages(found) == [(0x18EF0201, data)]


BROKEN = {
    "missing": [f for i, f in enumerate(spread(broadcast(1, 0xFECA, DATA))) if i != 2],
    "paused": [
        *spread(broadcast(1, 0xFECA, DATA)[:3]),
        Frame(2000 * MS, 0x1CECFF02, bytes(8)),
    ],
    "replaced": spread(broadcast(1, 0xFECA, DATA)[:3] + broadcast(1, 0xFECB, DATA)),
    "aborted": spread([*connection(1, 2, 0xEF00, DATA)[:4], abort(2, 1, 0xEF00)]),
    "malformed": spread([control(1, 255, bytes.fromhex("201E0004FFCAFE00"))]),
    "unannounced": spread([Frame(0, 0, b""), *broadcast(1, 0xFECA, DATA)[1:]], step_ns=900 * MS)[
        :2
    ],
    "before": spread(broadcast(1, 0xFECA, DATA)[2:]),
    "cut off": spread(broadcast(1, 0xFECA, DATA)[:-1]),
    "beyond": spread([*broadcast(1, 0xFECA, DATA)[:5], packet(1, 255, bytes([9] * 8))]),
    "short": spread([*broadcast(1, 0xFECA, DATA)[:5], packet(1, 255, b"\x05\x1d")]),
    "changed": spread(
        [
            *broadcast(1, 0xFECA, DATA)[:3],
            packet(1, 255, bytes([2] * 8)),
            *broadcast(1, 0xFECA, DATA)[3:],
        ]
    ),
}


@pytest.mark.parametrize("ending", BROKEN)
def test_a_broken_session_is_told_and_hands_on_nothing(ending: str) -> None:
    found = reassemble(table(BROKEN[ending]))
    assert endings(found)[0] == ending
    assert all(len(d) == len(DATA) for _, d in messages(found))
    assert len(messages(found)) == (1 if ending == "replaced" else 0)


def test_one_whole_session_follows_on_every_broken_one() -> None:
    for ending, frames in BROKEN.items():
        after = spread(broadcast(1, 0xFECA, DATA[::-1]), frames[-1].time_ns + 60 * MS)
        found = reassemble(table([*frames, *after]))
        assert messages(found)[-1] == (0x18FECA01, DATA[::-1]), ending
        assert endings(found).count("complete") == (2 if ending == "replaced" else 1), ending


def test_a_lost_announcement_spoils_nothing_that_is_whole() -> None:
    first, second = bytes(range(20)), bytes(range(100, 120))
    sent = [*broadcast(1, 0xFECA, first), *broadcast(1, 0xFECB, second)[1:]]
    found = transport.reassemble(table(spread(sent)))
    assert [found.messages.bytes_of(i) for i in range(len(found.messages))] == [first]
    names = [ENDINGS[e].name for e in found.sessions.ending.tolist()]
    assert names == ["complete", "unannounced"]


def test_frames_of_no_session_are_counted() -> None:
    found = reassemble(table(spread([abort(1, 2, 0xEF00), clear(1, 2, 0xEF00, 1, 1)])))
    assert len(found.sessions) == 0
    assert found.stray_ns["a"].tolist() == [0, 20 * MS]


def test_networks_are_never_mixed_and_can_be_chosen() -> None:
    frames = spread(broadcast(1, 0xFECA, DATA))
    mixed = [f._replace(network="b") if i % 2 else f for i, f in enumerate(frames)]
    assert "complete" not in endings(reassemble(table(mixed)))
    assert len(reassemble(table(frames), {"b"}).sessions) == 0


def test_an_echoing_adapter_changes_nothing() -> None:
    # Every frame recorded twice.
    frames = [f for f in spread(connection(1, 2, 0xEF00, DATA)) for _ in range(2)]
    found = reassemble(table(frames))
    assert messages(found) == [(0x18EF0201, DATA)]
    assert endings(found) == ["complete"]


@st.composite
def traffic(draw: st.DrawFn) -> tuple[list[Frame], list[bytes]]:
    """Interleaved sessions between few nodes, and the messages sent, in no particular order."""
    lanes: dict[tuple[int, int], list[list[Frame]]] = {}
    sent = []
    rng = random.Random(draw(st.integers(0, 1 << 32)))
    for _ in range(draw(st.integers(1, 8))):
        data = rng.randbytes(draw(st.integers(1, 60)))
        source, other = draw(st.sampled_from([(1, 255), (2, 255), (1, 2), (2, 1), (3, 1)]))
        if other == 255:
            frames = broadcast(source, 0xFE00 + draw(st.integers(0, 2)), data)
        elif draw(st.booleans()) and draw(st.booleans()):
            data = rng.randbytes(1786 + len(data))
            frames = extended_connection(source, other, 0xEF00, data, block=100)
        else:
            frames = connection(source, other, 0xEF00, data, block=draw(st.integers(1, 4)))
        sent.append(data)
        lanes.setdefault((source, other), []).append(frames)
    rows = [[f for frames in lane for f in frames] for lane in lanes.values()]
    merged: list[Frame] = []
    while any(rows):
        row = rng.choice([r for r in rows if r])
        merged.append(row.pop(0))
    return spread(merged, step_ns=MS), sent


@given(traffic())
@settings(max_examples=40)
def test_what_was_sent_arrives(sent: tuple[list[Frame], list[bytes]]) -> None:
    frames, expected = sent
    found = reassemble(table(frames))
    assert Counter(d for _, d in messages(found)) == Counter(expected)
    assert session_facts(found) == twin_facts(frames)


@given(traffic(), st.integers(0, 1 << 32), st.booleans())
@settings(max_examples=200)
def test_damaged_traffic_equals_the_slow_twin(
    sent: tuple[list[Frame], list[bytes]], seed: int, announced: bool
) -> None:
    frames, expected = sent
    rng = random.Random(seed)
    damaged: list[Frame] = []
    shift = 0
    for frame in frames:
        data = frame.identifier >> 16 & 0xFF in (0xEB, 0xC7)
        chance = rng.random()
        if rng.random() < 0.02:
            shift += rng.choice([700, 800, 1200, 1300]) * MS
        frame = frame._replace(time_ns=frame.time_ns + shift)
        if chance < 0.04 and (data or not announced):
            continue
        damaged.append(frame)
        if chance > 0.96:
            damaged.append(frame)
        elif chance > 0.94 and not announced:
            damaged.append(frame._replace(payload=frame.payload[: rng.randrange(9)]))
        elif chance > 0.93 and not announced:
            damaged.append(frame._replace(payload=bytes([rng.randrange(256)]) + frame.payload[1:]))
        elif chance > 0.92:
            damaged.append(
                abort(*rng.choice([(1, 2), (2, 1), (3, 1)]), 0xEF00)._replace(time_ns=frame.time_ns)
            )
    if not damaged:
        return
    found = reassemble(table(damaged))
    assert session_facts(found) == twin_facts(damaged)
    if announced:
        # As long as every announcement is there, nothing is made up.
        assert not Counter(d for _, d in messages(found)) - Counter(expected)


def test_compiled_and_plain_followers_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = random.Random(5)
    frames = []
    for i in range(60):
        source = rng.randrange(4)
        part = broadcast(source, 0xFECA, rng.randbytes(30)) + connection(
            source, 9, 0xEF00, rng.randbytes(50), block=3
        )
        frames += [f for f in part if rng.random() > 0.02]
        if i % 9 == 0:
            frames.append(abort(9, source, 0xEF00))
    seen = table(spread(frames, step_ns=7 * MS))
    plain = reassemble(seen)
    monkeypatch.setattr(sessions, "COMPILED_FROM", 0)
    compiled = reassemble(seen)
    assert session_facts(compiled) == session_facts(plain)
    assert messages(compiled) == messages(plain)
    assert len(set(endings(plain))) > 3
    np.testing.assert_array_equal(compiled.sessions.frames, plain.sessions.frames)


@given(st.integers(0, 1 << 32))
@settings(max_examples=60)
def test_any_bytes_at_all_equal_the_slow_twin(seed: int) -> None:
    rng = random.Random(seed)
    frames = []
    for i in range(rng.randrange(1, 60)):
        kind = rng.choice([0xEC, 0xEB, 0xEB, 0xC8, 0xC7, 0xC7])
        address = rng.choice([1, 2, 255]) << 8 | rng.choice([1, 2])
        first = rng.choice([1, 1, 2, 2, 3, 16, 17, 19, 20, 21, 22, 23, 32, 255])
        size = rng.choice([8, 20, 1786, 1800])
        content = bytes([first]) + size.to_bytes(2, "little") + bytes([-(-size // 7) % 256, 0])
        content += bytes([0, rng.choice([0xEF, 0xFE]), 0])
        if kind in (0xC8, 0xC7) and rng.random() < 0.7:
            content = content[:3] + bytes(2) + content[5:]
        cut = content[: rng.choice([8] * 9 + [rng.randrange(9)])]
        frames.append(Frame(i * rng.choice([MS, 90 * MS]), 0x1C000000 | kind << 16 | address, cut))
    frames.sort(key=lambda f: f.time_ns)
    assert session_facts(reassemble(table(frames))) == twin_facts(frames)
