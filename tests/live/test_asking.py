"""Asking a node: only with a sender, and the right answer is recognised."""

import threading
from collections.abc import Iterator

import can
import pytest
from support.bench import as_built
from support.talking_node import TalkingNode

from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.live.answered import Answer, answer_findings
from busplan.live.asking import Line
from busplan.live.interface_spec import parse_interface
from busplan.live.interfaces import open_sender
from busplan.live.journal import Journal
from busplan.live.questions import Expected, j1939_questions, own_address, parse_question

CHANNEL = "asking"


class Talk:
    """A line with somebody who reads it, as a recorder does."""

    def __init__(self) -> None:
        self.line = Line(open_sender)
        self.line.journal = Journal(None)
        self._hearing = self.line.open(parse_interface(f"drive=virtual:{CHANNEL}"))
        self.recorded: list[can.Message] = []
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        while not self._done.is_set():
            message = self._hearing.receive(0.01)
            if message is not None:
                self.recorded.append(message)

    def ask(self, text: str) -> Answer:
        return self.line.ask(parse_question(text), threading.Event())

    def end(self) -> None:
        self._done.set()
        self._thread.join()
        self._hearing.close()


@pytest.fixture
def talk() -> Iterator[Talk]:
    opened = Talk()
    yield opened
    opened.end()


@pytest.fixture
def node() -> Iterator[TalkingNode]:
    made = TalkingNode(CHANNEL)
    yield made
    made.end()


def told(answer: Answer) -> list[tuple[str, Weight]]:
    found = answer_findings([answer], "drive", "inverter")
    return [(f.code, f.weight) for f in found]


def test_an_answer_is_timed_kept_and_recorded(talk: Talk, node: TalkingNode) -> None:
    node.says(0x7E0, "023E00", 0x7E8, "027E00")
    answer = talk.ask("7E0#023E00=7E8@0.5")
    assert answer.after_s is not None
    assert 0 < answer.after_s < 0.5
    assert answer.data == bytes.fromhex("7E00")
    assert told(answer) == [("request-answered", Weight.NOTE)]
    ordered = sorted(talk.recorded, key=lambda m: m.timestamp)
    frames = [(m.arbitration_id, m.is_rx) for m in ordered]
    assert frames == [(0x7E0, False), (0x7E8, True)]
    assert abs(talk.recorded[0].timestamp - talk.recorded[1].timestamp) < 0.5


def test_a_silence_is_a_fault(talk: Talk, node: TalkingNode) -> None:
    answer = talk.ask("7E1#023E00=7E9@0.1")
    assert answer.after_s is None
    assert told(answer) == [("request-unanswered", Weight.FAULT)]
    assert [m.arbitration_id for m in talk.recorded] == [0x7E1]


def test_a_refusal_is_no_answer(talk: Talk, node: TalkingNode) -> None:
    """0x31: request out of range (ISO 14229-1, from memory)."""
    node.says(0x7E0, "0322F195", 0x7E8, "037F2231")
    answer = talk.ask("7E0#0322F195=7E8@0.5")
    assert answer.refused == "request out of range (0x31)"
    assert told(answer) == [("request-refused", Weight.CAUTION)]


def test_a_pending_answer_is_waited_for(talk: Talk, node: TalkingNode) -> None:
    node.says(0x7E0, "0322F189", 0x7E8, "037F2278", "0462F18905")
    answer = talk.ask("7E0#0322F189=7E8@0.5")
    assert answer.data == bytes.fromhex("62F18905")


def test_a_long_answer_is_let_through_and_put_together(talk: Talk, node: TalkingNode) -> None:
    """ISO 15765-2: first frame, flow control 30 00 00, consecutive frames; from memory."""
    node.says(0x7E0, "0322F18700000000", 0x7E8, "100B62F187504E2D")
    node.says(0x7E0, "3000000000000000", 0x7E8, "2137372D3842AAAA")
    answer = talk.ask("7E0#0322F18700000000=7E8@0.5")
    assert answer.data == bytes.fromhex("62F187") + b"PN-77-8B"
    sent = [bytes(m.data).hex() for m in talk.recorded if not m.is_rx]
    assert sent == ["0322f18700000000", "3000000000000000"]
    assert talk.line.frames == 2


def test_asked_often_with_bytes_expected(talk: Talk, node: TalkingNode) -> None:
    node.says(0x7E0, "0322F195", 0x7E8, "0562F1950207")
    fits = talk.ask("7E0#0322F195=7E8#62F195..[05-09]@0.5*4")
    assert (fits.asked, fits.answered, fits.wrong) == (4, 4, 0)
    assert fits.least_s is not None
    assert fits.after_s is not None
    assert fits.most_s is not None
    assert fits.least_s <= fits.after_s <= fits.most_s
    assert told(fits) == [("request-answered", Weight.NOTE)]
    other = talk.ask("7E0#0322F195=7E8#62F195[0300-0310]@0.5")
    assert other.wrong == 1
    assert told(other)[0] == ("answer-unexpected", Weight.FAULT)
    found = answer_findings([other], "drive", "inverter")[0].summary
    assert "62 F1 95 02 07; expected 62 F1 95 [0300-0310]" in found
    with_length = talk.ask("7E0#0322F195=7E8#0562F195@0.5")
    assert "without the length byte" in answer_findings([with_length], "a", "b")[0].action
    assert "without the length byte" not in answer_findings([other], "a", "b")[0].action


def test_what_is_no_service_answers_in_its_own_way(talk: Talk, node: TalkingNode) -> None:
    node.says(0x123, "0100", 0x124, "AABB")
    assert talk.ask("123#0100=124@0.5").data == b"\xaa\xbb"
    node.says(0x123, "0201FF", 0x124, "0105")
    loose = talk.ask("123#0201FF=124@0.2")
    assert (loose.data, loose.loose) == (b"\x01\x05", True)


def test_expected_bytes_are_read_as_written() -> None:
    question = parse_question("7E0#0322F190=7E8#62..[10-2F][0001-00FF]@2.5*10")
    assert question.expected == (
        Expected(0, 1, 0x62, 0x62),
        Expected(2, 1, 0x10, 0x2F),
        Expected(3, 2, 1, 0xFF),
    )
    assert (question.within_s, question.times, question.service) == (2.5, 10, 0x22)
    assert not question.expected[2].fits(bytes(4))


def test_the_address_claim_is_asked_for_as_the_standard_writes_it() -> None:
    """Request 0x18EAxx.. with three bytes 00 EE 00 for group 60928: SAE J1939-21 and -81."""
    own = [s.message for s in as_built().on("charge") if s.node == "charger"]
    address = own_address(own)
    assert address == 0xE5
    claim = j1939_questions(own, address)[0]
    assert claim.identifier == 0x18EAE5F9
    assert claim.data == bytes.fromhex("00EE00")
    # 0x18EEFF01 is an address claim (references: SAE J1939-21 identifier examples); here from E5.
    assert claim.answered_by(0x18EEFFE5, True, bytes(8))
    assert claim.answered_by(0x1CEEFFE5, True, bytes(8))
    assert not claim.answered_by(0x18EEFF01, True, bytes(8))
    assert not claim.answered_by(0x18FEFFE5, True, bytes(8))


@pytest.mark.parametrize(
    "text",
    [
        *("", "7E0", "7E0#zz=7E8", "800#00=1", "7E0#00112233445566778899=1"),
        *("7E0#00=7E8#6", "7E0#00=7E8#[20-10]", "7E0#00=7E8#[1-10]", "7E0#00=7E8#[10-20"),
        *("7E0#00=7E8@", "7E0#00=7E8@0", "7E0#00=7E8@1e9", "7E0#00=7E8@1.2.3", "7E0#00=7E8@61"),
        *("7E0#00=7E8*0", "7E0#00=7E8*1001", "7E0#00=7E8*x", "7E0#00=\uff17E8"),
    ],
)
def test_a_wrong_question_says_how_to_write_one(text: str) -> None:
    with pytest.raises(UsageError, match="IDENTIFIER#DATA=IDENTIFIER"):
        parse_question(text)
