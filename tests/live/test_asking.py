"""Asking a node: only with a sender, and the right answer is recognised."""

import threading
import time

import can
import pytest
from support.bench import as_built

from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.live.asking import answer_findings, ask
from busplan.live.interface_spec import parse_interface
from busplan.live.interfaces import open_sender
from busplan.live.questions import j1939_questions, own_address, parse_question

CHANNEL = "asking"


class Responder(threading.Thread):
    """A node that answers each question by a table: (identifier, data) → (identifier, data)."""

    def __init__(self, answers: dict[tuple[int, bytes], tuple[int, bytes]]) -> None:
        super().__init__(daemon=True)
        self._bus = can.Bus(interface="virtual", channel=CHANNEL)
        self._answers = answers
        self._done = threading.Event()
        self.start()

    def run(self) -> None:
        while not self._done.is_set():
            message = self._bus.recv(0.02)
            if message is None:
                continue
            answer = self._answers.get((message.arbitration_id, bytes(message.data)))
            if answer is not None:
                self._bus.send(
                    can.Message(
                        arbitration_id=answer[0],
                        is_extended_id=message.is_extended_id,
                        data=answer[1],
                    )
                )

    def end(self) -> None:
        self._done.set()
        self.join(2)
        self._bus.shutdown()


def test_an_answer_is_timed_and_a_silence_is_a_fault() -> None:
    node = Responder({(0x7E0, b"\x02\x3e\x00"): (0x7E8, b"\x02\x7e\x00")})
    spec = parse_interface(f"drive=virtual:{CHANNEL}")
    sender = open_sender(spec)
    time.sleep(0.05)
    try:
        answers = [
            ask(sender, parse_question(text), within_s=0.3)
            for text in ("7E0#023E00=7E8", "7E1#023E00=7E9")
        ]
    finally:
        sender.close()
        node.end()
    assert answers[0].after_s is not None
    assert 0 < answers[0].after_s < 0.3
    assert answers[1].after_s is None
    findings = answer_findings(answers, "drive", "inverter", 0.3)
    assert [(f.code, f.weight) for f in findings] == [
        ("request-answered", Weight.NOTE),
        ("request-unanswered", Weight.FAULT),
    ]


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
    "text", ["", "7E0", "7E0#zz=7E8", "800#00=1", "7E0#00112233445566778899=1"]
)
def test_a_wrong_question_says_how_to_write_one(text: str) -> None:
    with pytest.raises(UsageError, match="IDENTIFIER#DATA=IDENTIFIER"):
        parse_question(text)
