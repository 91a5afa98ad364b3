"""What a node may be asked, and which frame is an answer.

The rules of this file: values only; nothing here can send. J1939 requests follow SAE J1939-21
(parameter group 59904, three bytes, least significant first, from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from busplan.decode.j1939_groups import ADDRESS_CLAIMED, REQUEST
from busplan.definitions.j1939 import GLOBAL_ADDRESS, join_identifier, split_identifier
from busplan.definitions.model import J1939Id, Message
from busplan.errors import UsageError
from busplan.frames.identifier import format_identifier

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


def j1939_questions(messages: Iterable[Message], address: int) -> list[Question]:
    """Who are you, and every message the node sends on request rather than by itself."""
    groups = {ADDRESS_CLAIMED: "address claimed"}
    for message in messages:
        if message.j1939 is not None and (message.event or message.cycle is None):
            groups[message.j1939.pgn] = message.name
    return [
        Question(
            name,
            join_identifier(J1939Id(6, REQUEST, TOOL_ADDRESS, address)),
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


def questions_for(messages: Sequence[Message], texts: Iterable[str] = ()) -> list[Question]:
    """The user's own questions, then the J1939 ones where the node's ``messages`` have an address.

    Raises :class:`UsageError` for a text that is no question.
    """
    questions = [parse_question(text) for text in texts]
    address = own_address(messages)
    return questions if address is None else questions + j1939_questions(messages, address)


def own_address(messages: Iterable[Message]) -> int | None:
    """The source address a node sends from, when its messages follow SAE J1939."""
    for message in messages:
        if message.j1939 is not None:
            return split_identifier(message.identifier).source
    return None
