"""Answers put together frame by frame: J1939-21 connections and refusals, from memory."""

from busplan.live.dialogue import Dialogue, Sent
from busplan.live.questions import j1939_question, parse_question

NODE, TOOL = 0x27, 0xF9


def asked(pgn: int) -> Dialogue:
    return Dialogue(j1939_question("software", pgn, NODE))


def test_a_connection_is_cleared_and_ended() -> None:
    talk = asked(65242)
    group = (65242).to_bytes(3, "little")
    rts = bytes((16, 10, 0, 2, 0xFF)) + group
    assert talk.hear(0x1CECF927, True, rts) == [
        Sent(0x1CEC27F9, True, bytes((17, 2, 1, 0xFF, 0xFF)) + group)
    ]
    assert talk.hear(0x1CEBF927, True, b"\x01\x01V1.2.3*"[:8]) == []
    assert talk.hear(0x1CEBF927, True, b"\x02*ab" + b"\xff" * 4) == [
        Sent(0x1CEC27F9, True, bytes((19, 10, 0, 2, 0xFF)) + group)
    ]
    assert talk.done
    assert len(talk.data) == 10


def test_a_broadcast_needs_nothing_from_us() -> None:
    talk = asked(65242)
    group = (65242).to_bytes(3, "little")
    assert talk.hear(0x1CECFF27, True, bytes((32, 9, 0, 2, 0xFF)) + group) == []
    talk.hear(0x1CEBFF27, True, b"\x01\x01APP 1.")
    talk.hear(0x1CEBFF27, True, b"\x02" + b"0*" + b"\xff" * 5)
    assert (talk.done, talk.data) == (True, b"\x01APP 1." + b"0*")


def test_another_nodes_connection_is_none_of_ours() -> None:
    talk = asked(65242)
    assert talk.hear(0x1CECF928, True, bytes((16, 10, 0, 2, 0xFF, 0xDA, 0xFE, 0))) == []
    assert not talk.begun


def test_a_request_may_be_refused() -> None:
    talk = asked(65259)
    talk.hear(0x18E8FF27, True, bytes((1, 0xFF, 0xFF, 0xFF, 0xFF)) + (65242).to_bytes(3, "little"))
    assert not talk.done, "it refuses another group"
    talk.hear(0x18E8FF27, True, bytes((1, 0xFF, 0xFF, 0xFF, 0xFF)) + (65259).to_bytes(3, "little"))
    assert (talk.done, talk.refused) == (True, "not acknowledged")


def test_a_short_answer_is_whole_at_once() -> None:
    talk = asked(60928)
    talk.hear(0x18EEFF27, True, bytes(range(8)))
    assert (talk.done, talk.data) == (True, bytes(range(8)))


def test_packets_out_of_turn_are_not_put_together() -> None:
    talk = Dialogue(parse_question("7E0#0322F187=7E8"))
    assert talk.hear(0x7E8, False, bytes.fromhex("100B62F187504E2D"))
    talk.hear(0x7E8, False, bytes.fromhex("2237372D3842AAAA"))
    assert not talk.done
    assert talk.data == bytes.fromhex("62F187504E2D")


def test_our_own_question_brought_back_is_no_answer() -> None:
    talk = Dialogue(parse_question("7E0#0100=7E0"))
    talk.hear(0x7E0, False, b"\x01\x00")
    assert not talk.begun
