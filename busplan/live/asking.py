"""Asking a node: requests that are sent only when the user says so, and who answered how soon.

The rules of this file: :func:`ask` needs a :class:`~busplan.live.interfaces.Sender`, which only
exists after an explicit consent. J1939 requests follow SAE J1939-21 (parameter group 59904, three
bytes, least significant first; answers within 1.25 s, from memory).
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busplan.definitions.j1939 import GLOBAL_ADDRESS, join_identifier, split_identifier
from busplan.definitions.model import J1939Id, Message
from busplan.errors import UsageError
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.identifier import format_identifier

if TYPE_CHECKING:
    from busplan.live.interfaces import Sender

REQUEST_PGN = 59904
ADDRESS_CLAIMED_PGN = 60928
ANSWER_WITHIN_S = 1.25
STALE_S = 0.05
"""How long frames that have come before a question are passed over, at most."""
TOOL_ADDRESS = 0xF9
"""Source address our requests carry: off-board service tool (SAE J1939-81, from memory)."""


@dataclass(frozen=True, slots=True)
class Question:
    """One frame to send, and the identifiers under which an answer may come."""

    name: str
    identifier: int
    extended: bool
    data: bytes
    answer_identifier: int
    answer_mask: int
    answer_data: bytes = b""
    """Bytes the answer must begin with."""

    @property
    def frame(self) -> str:
        """What is sent: ``IDENTIFIER#DATA``, in hexadecimal."""
        number = format_identifier(self.identifier, self.extended).removeprefix("0x")
        return f"{number}#{self.data.hex().upper()}"

    def answered_by(self, identifier: int, extended: bool, data: bytes) -> bool:
        """Whether a frame is an answer."""
        same = (identifier ^ self.answer_identifier) & self.answer_mask == 0
        return same and extended == self.extended and data.startswith(self.answer_data)


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: time from sending [s] and the frame, or ``None`` for both."""

    question: Question
    after_s: float | None
    identifier: int | None


def j1939_questions(messages: Iterable[Message], address: int) -> list[Question]:
    """Who are you, and every message the node sends on request rather than by itself."""
    groups = {ADDRESS_CLAIMED_PGN: "address claimed"}
    for message in messages:
        if message.j1939 is not None and (message.event or message.cycle is None):
            groups[message.j1939.pgn] = message.name
    return [
        Question(
            name,
            join_identifier(J1939Id(6, REQUEST_PGN, TOOL_ADDRESS, address)),
            True,
            pgn.to_bytes(3, "little"),
            *_answer_pattern(pgn, address),
        )
        for pgn, name in groups.items()
    ]


def _answer_pattern(pgn: int, address: int) -> tuple[int, int]:
    """Identifier and mask of a group from an address, whatever priority and destination."""
    pdu1 = pgn >> 8 & 0xFF < 240
    identifier = join_identifier(J1939Id(0, pgn, address, GLOBAL_ADDRESS if pdu1 else None))
    return identifier, 0x03FF00FF if pdu1 else 0x03FFFFFF


def parse_question(text: str) -> Question:
    """Read ``IDENTIFIER#DATA=IDENTIFIER`` in hexadecimal, eight digits for 29 bits.

    Raises :class:`UsageError` with the right form.
    """
    sent, equals, answer = text.partition("=")
    number, mark, data = sent.partition("#")
    try:
        if not (equals and mark):
            raise ValueError
        identifier, expected, payload = int(number, 16), int(answer, 16), bytes.fromhex(data)
        extended = len(number.removeprefix("0x")) > 3
        limit = 1 << (29 if extended else 11)
        if identifier >= limit or expected >= limit or len(payload) > 8:
            raise ValueError
    except ValueError:
        raise UsageError(
            f"question {text!r}: write IDENTIFIER#DATA=IDENTIFIER in hexadecimal, for example "
            "7E0#023E00=7E8"
        ) from None
    return Question(text, identifier, extended, payload, expected, limit - 1)


def ask(sender: Sender, question: Question, within_s: float) -> Answer:
    """Send one question and wait for its answer; what came before it is no answer."""
    import can

    begin = time.monotonic()
    while time.monotonic() < begin + STALE_S and sender.receive(0) is not None:
        pass
    sent = can.Message(
        arbitration_id=question.identifier,
        is_extended_id=question.extended,
        data=question.data,
    )
    sender.send(sent)
    begin = time.monotonic()
    while (left := begin + within_s - time.monotonic()) > 0:
        message = sender.receive(left)
        if message is None or message.is_error_frame or message.is_remote_frame:
            continue
        identifier, data = message.arbitration_id, bytes(message.data)
        if (identifier, data) == (question.identifier, question.data):
            continue  # our own question, brought back by the bus
        if question.answered_by(identifier, message.is_extended_id, data):
            return Answer(question, time.monotonic() - begin, identifier)
    return Answer(question, None, None)


def answer_findings(
    answers: Iterable[Answer], network: str, node: str, within_s: float
) -> tuple[Finding, ...]:
    """A note for each answer, a fault for each silence."""
    findings = []
    for answer in answers:
        asked = format_identifier(answer.question.identifier, answer.question.extended)
        if answer.after_s is None or answer.identifier is None:
            findings.append(
                Finding(
                    "request-unanswered",
                    Weight.FAULT,
                    Where(network, node),
                    f"no answer to {answer.question.name} ({asked}) within {within_s:g} s",
                    why="Nodes that rely on asking it will not get their value.",
                    action="Ask the maker whether this software answers requests.",
                    figures=(Figure("waited", within_s, "s"),),
                )
            )
        else:
            came = format_identifier(answer.identifier, answer.question.extended)
            findings.append(
                Finding(
                    "request-answered",
                    Weight.NOTE,
                    Where(network, node),
                    f"{answer.question.name} ({asked}) was answered by {came} after "
                    f"{answer.after_s * 1e3:.0f} ms",
                    figures=(Figure("answer", answer.after_s * 1e3, "ms"),),
                )
            )
    return tuple(findings)


def own_address(messages: Iterable[Message]) -> int | None:
    """The source address a node sends from, when its messages follow SAE J1939."""
    for message in messages:
        if message.j1939 is not None:
            return split_identifier(message.identifier).source
    return None
