"""ISO 15765-2 messages against a reference library, frames by hand and a slow twin."""

import random
from collections import Counter
from collections.abc import Sequence

import isotp
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.slow_transport import slow_iso15765
from support.transport_traffic import MS, Frame, segmented, spread, table

from busplan.frames.identifier import FrameKey
from busplan.transport import sessions
from busplan.transport.endings import COMPLETE
from busplan.transport.iso15765 import TIMEOUT_NS, Segmented, partner_of, reassemble
from busplan.transport.report import ENDINGS
from busplan.transport.sessions import Reassembly

ASK, ANSWER = 0x7E0, 0x7E8
MODES = isotp.AddressingMode
DATA = bytes(range(1, 41))
GO, WAIT, FULL = (Frame(0, ASK, bytes([b, 0, 0])) for b in (0x30, 0x31, 0x32))


def told(identifier: int = ANSWER, **more: object) -> Segmented:
    return Segmented(FrameKey("a", False, identifier), **more)  # type: ignore[arg-type]


def put_together(frames: Sequence[Frame], one: Segmented | None = None) -> Reassembly:
    return reassemble(table(frames, flags=0), [one or told()])


def payloads(found: Reassembly) -> list[bytes]:
    return [found.messages.bytes_of(i) for i in range(len(found.messages))]


def endings(found: Reassembly) -> list[str]:
    return [ENDINGS[e].name for e in found.sessions.ending.tolist()]


def between(data: bytes, mode: isotp.AddressingMode, **params: object) -> list[Frame]:
    """The frames of one message from ANSWER to ASK, by the can-isotp library (2.0.7)."""
    frames: list[Frame] = []
    queues: dict[int, list[isotp.CanMessage]] = {ASK: [], ANSWER: []}

    def layer(receive: int, send: int) -> isotp.TransportLayerLogic:
        def put(message: isotp.CanMessage) -> None:
            queues[send].append(message)
            frames.append(Frame(len(frames) * MS, send, bytes(message.data)))

        def get(timeout: float) -> isotp.CanMessage | None:
            return queues[receive].pop(0) if queues[receive] else None

        settings = {"blocking_send": False, "stmin": 0, "max_frame_size": 20_000} | params
        more = {"target_address": receive & 0xFF, "source_address": send & 0xFF}
        if mode != MODES.Extended_11bits:
            more = {"address_extension": 0x99} if mode == MODES.Mixed_11bits else {}
        address = isotp.Address(mode, rxid=receive, txid=send, **more)
        return isotp.TransportLayerLogic(get, put, address=address, params=settings)

    sender, receiver = layer(ASK, ANSWER), layer(ANSWER, ASK)
    sender.send(data)
    got = None
    for _ in range(5000):
        sender.process()
        receiver.process()
        got = got or receiver.recv()
        if got is not None and not sender.transmitting():
            break
    assert bytes(got or b"") == (data if "max_frame_size" not in params else b"")
    return frames


@pytest.mark.parametrize("size", [1, 6, 7, 8, 20, 62, 63, 4095, 4096, 10_000])
@pytest.mark.parametrize("width", [8, 64])
@pytest.mark.parametrize("mode", [MODES.Normal_11bits, MODES.Mixed_11bits])
def test_messages_of_a_reference_library(size: int, width: int, mode: isotp.AddressingMode) -> None:
    data = random.Random(size).randbytes(size)
    frames = between(
        data, mode, tx_data_length=width, can_fd=width > 8, blocksize=16, tx_padding=0xCC
    )
    found = put_together(frames, told(addressed=mode != MODES.Normal_11bits))
    assert payloads(found) == [data]
    assert found.messages.identifier.tolist() == [ANSWER]
    last = max(f.time_ns for f in frames if f.identifier == ANSWER)
    assert found.messages.time_ns.tolist() == [last]


def test_frames_without_padding_and_extended_addresses_of_a_reference_library() -> None:
    frames = between(DATA, MODES.Extended_11bits, tx_data_length=8)
    found = put_together(frames, told(addressed=True))
    assert payloads(found) == [DATA]
    assert found.sessions.parties[0].label == "0x7E8 to 0xE0"


def test_a_reference_library_refuses_what_it_has_no_room_for() -> None:
    frames = between(DATA, MODES.Normal_11bits, tx_data_length=8, max_frame_size=30)
    assert endings(put_together(frames)) == ["refused"]


def test_frames_by_hand() -> None:
    # The layout of ISO 15765-2, from memory: first frame 1LLL, flow control, then 21, 22; a single
    # frame is 0L, in a CAN FD frame over 8 bytes 00 LL.
    frames = [
        Frame(0, ANSWER, bytes.fromhex("1010010203040506")),
        Frame(1, ASK, bytes.fromhex("300000")),
        Frame(2, ANSWER, bytes.fromhex("210708090A0B0C0D")),
        Frame(3, ANSWER, bytes.fromhex("220E0F10AAAAAAAA")),
        Frame(4, ANSWER, bytes.fromhex("03010203CCCCCCCC")),
        Frame(5, ANSWER, bytes.fromhex("0009010203040506070809CC")),
    ]
    assert payloads(put_together(frames)) == [
        bytes(range(1, 17)),
        bytes(range(1, 4)),
        bytes(range(1, 10)),
    ]


def test_the_sequence_number_wraps_from_15_to_0() -> None:
    frames = segmented(ANSWER, bytes(200))
    assert [f.payload[0] for f in frames[14:18]] == [0x2E, 0x2F, 0x20, 0x21]
    assert payloads(put_together(spread(frames))) == [bytes(200)]


def test_identifiers_that_answer_each_other() -> None:
    # ISO 15765-4: 7E0 to 7E7 and 7E8 to 7EF; 18DAxxF1 and 18DAF1xx.
    assert partner_of(FrameKey("a", False, 0x7E3)) == 0x7EB
    assert partner_of(FrameKey("a", True, 0x18DA10F1)) == 0x18DAF110
    assert partner_of(FrameKey("a", False, 0x7DF)) is None
    assert partner_of(FrameKey("a", True, 0x18DB33F1)) is None


def parts(*keep: int) -> list[Frame]:
    frames = segmented(ANSWER, DATA)
    return [frames[i] for i in keep]


BROKEN = {
    "missing": spread(parts(0, 1, 3, 4, 5)),
    "paused": [*spread(parts(0, 1)), Frame(2 * TIMEOUT_NS, ASK, bytes(8))],
    "replaced": spread([*parts(0, 1), *segmented(ANSWER, DATA[::-1])]),
    "malformed": spread([Frame(0, ANSWER, bytes.fromhex("1005010203040506"))]),
    "unannounced": [Frame(0, 1, b""), *spread(parts(2, 3), 2 * TIMEOUT_NS)],
    "before": spread(parts(2, 3, 4)),
    "cut off": spread(parts(0, 1, 2)),
    "short": spread([*parts(0, 1), Frame(0, ANSWER, b"\x22\x00")]),
    "refused": spread([*parts(0), FULL, *parts(1)]),
}


@pytest.mark.parametrize("ending", BROKEN)
def test_a_broken_message_is_told_and_not_handed_on(ending: str) -> None:
    found = put_together(BROKEN[ending])
    assert endings(found)[0] == ending
    assert payloads(found) == ([DATA[::-1]] if ending == "replaced" else [])


@pytest.mark.parametrize("ending", BROKEN)
def test_a_whole_message_follows_on_a_broken_one(ending: str) -> None:
    frames = BROKEN[ending]
    after = spread(segmented(ANSWER, DATA), frames[-1].time_ns + MS)
    found = put_together([*frames, *after])
    assert payloads(found)[-1] == DATA


def test_a_receiver_may_ask_to_wait() -> None:
    waiting = [f._replace(time_ns=i * 900 * MS) for i, f in enumerate([WAIT, WAIT, GO], 1)]
    rest = spread(parts(1, 2, 3, 4, 5), 2800 * MS)
    frames = [*parts(0), *waiting, *rest]
    assert payloads(put_together(frames)) == [DATA]
    # Its flow control comes under an identifier nobody told: a pause of 2.8 s.
    assert endings(put_together(frames, told(partner=0x123)))[0] == "paused"


@pytest.mark.parametrize(("late_ns", "ending"), [(0, "complete"), (1, "paused")])
def test_a_message_is_given_up_when_the_time_out_is_over(late_ns: int, ending: str) -> None:
    # N_Cr of ISO 15765-2 is 1 s (from memory).
    assert TIMEOUT_NS == 1000 * MS
    frames = parts(0, 1, 2, 3, 4, 5)
    late = [f._replace(time_ns=(i >= 3) * (TIMEOUT_NS + late_ns)) for i, f in enumerate(frames)]
    assert endings(put_together(late))[0] == ending


def test_a_message_that_was_refused_can_be_sent_again() -> None:
    found = put_together(spread([*parts(0), FULL, *segmented(ANSWER, DATA)]))
    assert endings(found) == ["refused", "complete"]
    assert payloads(found) == [DATA]


def test_both_directions_at_once() -> None:
    forth, back = segmented(ANSWER, DATA), segmented(ASK, DATA[::-1])
    mixed = [f for pair in zip(forth, back, strict=True) for f in pair]
    found = reassemble(table(spread(mixed), flags=0), [told(), told(ASK)])
    assert sorted(payloads(found)) == sorted([DATA, DATA[::-1]])


def test_an_echoing_adapter_repeats_frames() -> None:
    frames = [f for f in spread(segmented(ANSWER, DATA)) for _ in range(2)]
    found = put_together(frames)
    assert payloads(found) == [DATA]
    assert found.sessions.repeats.tolist() == [6]


def test_a_frame_without_an_address_says_nothing_of_any_receiver() -> None:
    # ISO 15765-2 (from memory): with extended addressing the first byte is the target's address; a
    # frame without bytes has none and is ignored. It is not one of address 0.
    empty = Frame(0, ANSWER, b"")
    frames = [empty, Frame(MS, ANSWER, bytes.fromhex("00232644"))]
    assert endings(put_together(frames, told(addressed=True))) == ["before"]
    assert session_facts(put_together(frames, told(addressed=True))) == twin_facts(frames, True)
    # Nor does it keep a message to address 0 waiting beyond the time-out.
    sent = segmented(ANSWER, DATA, address=0)
    late = [f._replace(time_ns=(i >= 3) * 1200 * MS) for i, f in enumerate(sent)]
    between = empty._replace(time_ns=600 * MS)
    found = put_together([*late[:3], between, *late[3:]], told(addressed=True))
    assert endings(found)[0] == "paused"
    assert [len(t) for t in found.stray_ns.values()] == [1]


def test_nothing_told_or_nothing_there() -> None:
    frames = spread(segmented(ANSWER, DATA))
    assert len(reassemble(table(frames, flags=0), []).sessions) == 0
    assert len(put_together(frames, told(0x123)).sessions) == 0


@st.composite
def traffic(draw: st.DrawFn) -> tuple[list[Frame], Counter[bytes], bool]:
    """Messages of one identifier with flow control between their parts."""
    rng = random.Random(draw(st.integers(0, 1 << 32)))
    addressed = draw(st.booleans())
    most = draw(st.sampled_from([8, 12, 64]))
    frames: list[Frame] = []
    sent: Counter[bytes] = Counter()
    for _ in range(draw(st.integers(1, 6))):
        size = rng.choice([rng.randrange(1, 8), rng.randrange(8, 70), rng.randrange(70, 300)])
        data = rng.randbytes(size)
        address = rng.randrange(2) if addressed else None
        pieces = segmented(ANSWER, data, most=most, address=address, pad=draw(st.booleans()))
        for i, piece in enumerate(pieces):
            frames.append(piece)
            if len(pieces) > 1 and i % 8 == 0:
                lead = b"\x77" if addressed else b""
                frames.append(Frame(0, ASK, lead + bytes([0x30, 8, 0])))
        sent[data] += 1
    return spread(frames, step_ns=MS), sent, addressed


def session_facts(found: Reassembly) -> Counter[tuple[object, ...]]:
    made = {int(t): i for i, t in enumerate(found.messages.time_ns)}
    s = found.sessions
    return Counter(
        (
            ENDINGS[int(s.ending[i])].name,
            found.messages.bytes_of(made[int(s.final_ns[i])]) if s.ending[i] == COMPLETE else b"",
            int(s.final_ns[i]),
            int(s.repeats[i]),
        )
        for i in range(len(s))
    )


def twin_facts(frames: Sequence[Frame], addressed: bool) -> Counter[tuple[object, ...]]:
    found = slow_iso15765(frames, ANSWER, ASK, addressed=addressed)
    return Counter((t.ending, t.data, t.time_ns, t.repeats) for t in found)


@given(traffic())
@settings(max_examples=40)
def test_what_was_sent_arrives(sent: tuple[list[Frame], Counter[bytes], bool]) -> None:
    frames, expected, addressed = sent
    found = put_together(frames, told(addressed=addressed))
    assert Counter(payloads(found)) == expected
    assert session_facts(found) == twin_facts(frames, addressed)


def damaged(frames: Sequence[Frame], rng: random.Random) -> list[Frame]:
    """Frames lost, doubled, cut, overwritten, refused, and pauses between them."""
    out: list[Frame] = []
    shift = 0
    for frame in frames:
        chance = rng.random()
        shift += rng.choice([900, 1100]) * MS if rng.random() < 0.02 else 0
        frame = frame._replace(time_ns=frame.time_ns + shift)
        if chance < 0.03:
            continue
        out.append(frame)
        now = frame.time_ns + MS // 4
        if chance > 0.97:
            out.append(frame._replace(time_ns=now))
        elif chance > 0.95:
            cut = frame.payload[: rng.randrange(len(frame.payload) + 1)]
            out.append(frame._replace(time_ns=now, payload=cut if len(cut) < 9 else cut[:8]))
        elif chance > 0.93:
            wrong = bytes([rng.randrange(256), rng.randrange(256)]) + frame.payload[2:]
            out.append(frame._replace(time_ns=now, payload=wrong))
        elif chance > 0.92:
            out.append(FULL._replace(time_ns=now, payload=b"\x32\x32\x00"))
    return out


@given(traffic(), st.integers(0, 1 << 32))
@settings(max_examples=150)
def test_damaged_traffic_equals_the_slow_twin(
    sent: tuple[list[Frame], Counter[bytes], bool], seed: int
) -> None:
    frames, _, addressed = sent
    frames = damaged(frames, random.Random(seed))
    if frames:
        found = put_together(frames, told(addressed=addressed))
        assert session_facts(found) == twin_facts(frames, addressed)


def test_compiled_and_plain_followers_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = random.Random(7)
    frames = [f for _ in range(80) for f in segmented(ANSWER, rng.randbytes(rng.randrange(1, 90)))]
    frames = damaged(spread(frames, step_ns=MS), rng)
    plain = put_together(frames)
    monkeypatch.setattr(sessions, "COMPILED_FROM", 0)
    compiled = put_together(frames)
    assert session_facts(compiled) == session_facts(plain)
    assert len(set(endings(plain))) > 4


@given(st.integers(0, 1 << 32))
@settings(max_examples=60)
def test_any_bytes_at_all_equal_the_slow_twin(seed: int) -> None:
    rng = random.Random(seed)
    frames = []
    for i in range(rng.randrange(1, 60)):
        first = rng.choice([0x00, 0x03, 0x10, 0x10, 0x21, 0x21, 0x22, 0x22, 0x30, 0x32, 0x77])
        size = rng.choice([0, 1, 6, 7, 8, 8, 8, 8, 12, 64])
        content = (bytes([first, rng.choice([0, 3, 9, 14, 70])]) + rng.randbytes(62))[:size]
        if rng.random() < 0.1 and size > 6:
            content = b"\x10\x00\x00\x00" + content[4:]
        identifier = ASK if first >> 4 == 3 else ANSWER
        frames.append(Frame(i * rng.choice([MS, 90 * MS]), identifier, content))
    frames.sort(key=lambda f: f.time_ns)
    for addressed in (False, True):
        found = put_together(frames, told(addressed=addressed))
        assert session_facts(found) == twin_facts(frames, addressed)
