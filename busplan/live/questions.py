"""What a node may be asked, which answer is expected, and how the answer is put together.

The rules of this file: values only; nothing here can send. J1939 requests follow SAE J1939-21
(parameter group 59904, three bytes, least significant first), requests of services ISO 15765-2
single frames; both from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from busplan.decode.j1939_groups import ADDRESS_CLAIMED, GROUPS, REQUEST
from busplan.definitions.j1939 import GLOBAL_ADDRESS, join_identifier, split_identifier
from busplan.definitions.model import J1939Id, Message
from busplan.errors import UsageError
from busplan.frames.identifier import format_identifier
from busplan.plan.expected import Expected as Wanted

TOOL_ADDRESS = 0xF9
"""Source address our requests carry: off-board service tool (SAE J1939-81, from memory)."""
ANSWER_WITHIN_S = 1.25
"""How long an answer may take (SAE J1939-21, from memory)."""
LONGEST_WAIT_S = 60.0
MOST_TIMES = 1000


@dataclass(frozen=True, slots=True)
class Expected:
    """What some bytes of an answer must be: one big-endian number from ``low`` to ``high``."""

    start: int
    length: int
    low: int
    high: int

    def fits(self, data: bytes) -> bool:
        """Whether the answer carries these bytes, and the number is within."""
        part = data[self.start : self.start + self.length]
        return len(part) == self.length and self.low <= int.from_bytes(part, "big") <= self.high

    def __str__(self) -> str:
        digits = 2 * self.length
        low, high = f"{self.low:0{digits}X}", f"{self.high:0{digits}X}"
        return low if low == high else f"[{low}-{high}]"


@dataclass(frozen=True, slots=True)
class Question:
    """One frame to send, the identifiers under which an answer may come, and what it should be.

    ``service`` is the diagnostic service of an ISO 15765-2 single frame, ``group`` the J1939 group
    that is asked for; at most one of them is given. ``expected`` speaks of the answer's bytes
    without those of the transport.
    """

    name: str
    identifier: int
    extended: bool
    data: bytes
    answer_identifier: int
    answer_mask: int
    answer_data: bytes = b""
    """Bytes the answer must begin with."""
    expected: tuple[Expected, ...] = ()
    within_s: float | None = None
    """Time it may take; ``None``: the usual one."""
    times: int = 1
    service: int | None = None
    group: int | None = None

    @property
    def frame(self) -> str:
        """What is sent: ``IDENTIFIER#DATA``, in hexadecimal."""
        number = format_identifier(self.identifier, self.extended).removeprefix("0x")
        return f"{number}#{self.data.hex().upper()}"

    def answered_by(self, identifier: int, extended: bool, data: bytes) -> bool:
        """Whether a frame comes under the identifier of an answer."""
        same = (identifier ^ self.answer_identifier) & self.answer_mask == 0
        return same and extended == self.extended and data.startswith(self.answer_data)


def j1939_questions(messages: Iterable[Message], address: int) -> list[Question]:
    """Who are you, and every message the node sends on request rather than by itself."""
    groups = {ADDRESS_CLAIMED: "address claimed"}
    for message in messages:
        if message.j1939 is not None and (message.event or message.cycle is None):
            groups[message.j1939.pgn] = message.name
    return [j1939_question(name, pgn, address) for pgn, name in groups.items()]


def j1939_question(name: str, pgn: int, address: int) -> Question:
    """The request for one group from one address."""
    pdu1 = pgn >> 8 & 0xFF < 240
    answer = join_identifier(J1939Id(0, pgn, address, GLOBAL_ADDRESS if pdu1 else None))
    return Question(
        name,
        join_identifier(J1939Id(6, REQUEST, TOOL_ADDRESS, address)),
        True,
        pgn.to_bytes(3, "little"),
        answer,
        # Whatever priority, and whatever destination where the group has one.
        0x03FF00FF if pdu1 else 0x03FFFFFF,
        group=pgn,
    )


FORM = (
    "write IDENTIFIER#DATA=IDENTIFIER in hexadecimal, for example 7E0#023E00=7E8; after it, when "
    "wanted, #EXPECTED (what it says, without a length byte before it; .. for any byte, [10-2F] "
    "for a range), @SECONDS it may take, *TIMES"
)
_TEXT = re.compile(
    r"(?P<id>[0-9A-Fa-f]+)#(?P<data>[0-9A-Fa-f]*)=(?P<answer>[0-9A-Fa-f]+)"
    r"(?:#(?P<expected>[0-9A-Fa-f.\[\]-]+))?(?:@(?P<within>[0-9.]+))?(?:\*(?P<times>[0-9]+))?",
    re.ASCII,
)
_PIECE = re.compile(
    r"\[(?P<low>[0-9A-Fa-f]+)-(?P<high>[0-9A-Fa-f]+)\]|(?P<any>\.\.)|[0-9A-Fa-f]{2}"
)


def parse_question(text: str) -> Question:
    """Read ``IDENTIFIER#DATA=IDENTIFIER[#EXPECTED][@SECONDS][*TIMES]``; eight digits for 29 bits.

    Raises :class:`UsageError` with the right form.
    """
    found = _TEXT.fullmatch(text)
    try:
        if found is None:
            raise ValueError
        number, answer = int(found["id"], 16), int(found["answer"], 16)
        payload = bytes.fromhex(found["data"])
        extended = len(found["id"]) > 3
        limit = 1 << (29 if extended else 11)
        if number >= limit or answer >= limit or len(payload) > 8:
            raise ValueError
        expected = _parse_expected(found["expected"] or "")
        within = None if found["within"] is None else float(found["within"])
        times = int(found["times"] or 1)
        if not 1 <= times <= MOST_TIMES or not (within is None or 0 < within <= LONGEST_WAIT_S):
            raise ValueError
    except ValueError:
        raise UsageError(f"question {text!r}: {FORM}") from None
    return Question(
        text,
        number,
        extended,
        payload,
        answer,
        limit - 1,
        expected=expected,
        within_s=within,
        times=times,
        service=_service(payload),
    )


def _service(data: bytes) -> int | None:
    """The service that an ISO 15765-2 single frame asks for; ``None`` for any other frame."""
    single = len(data) > 1 and 1 <= data[0] <= 7 and len(data) > data[0] and data[1] > 0
    return data[1] if single else None


def _parse_expected(text: str) -> tuple[Expected, ...]:
    """The bytes an answer must have, from its first one on; ``ValueError`` when it cannot be."""
    found, place, at = [], 0, 0
    while place < len(text):
        piece = _PIECE.match(text, place)
        if piece is None:
            raise ValueError
        place = piece.end()
        if piece["any"]:
            at += 1
            continue
        low, high = piece["low"] or piece[0], piece["high"] or piece[0]
        if len(low) != len(high) or len(low) % 2 or int(low, 16) > int(high, 16):
            raise ValueError
        found.append(Expected(at, len(low) // 2, int(low, 16), int(high, 16)))
        at += len(low) // 2
    return tuple(found)


def questions_for(
    messages: Sequence[Message], texts: Iterable[str] = (), expected: Wanted | None = None
) -> list[Question]:
    """The user's own questions, then the J1939 ones where the node's ``messages`` have an address.

    Then what is ``expected`` that it tells. Raises :class:`UsageError` for a text that is no
    question.
    """
    questions = [parse_question(text) for text in texts]
    address = own_address(messages)
    if address is not None:
        questions += j1939_questions(messages, address)
        groups = () if expected is None else expected.texts
        known = {q.group for q in questions}
        for name in groups:
            if GROUPS[name] not in known:
                questions.append(j1939_question(name, GROUPS[name], address))
    answers = None if expected is None else expected.answers
    if answers is not None and answers.ask is not None:
        for number in answers.read:
            width = 8 if answers.key.extended else 3
            ask, come = (f"{i:0{width}X}" for i in (answers.ask, answers.key.identifier))
            questions.append(parse_question(f"{ask}#0322{number:04X}={come}"))
    return questions


def own_address(messages: Iterable[Message]) -> int | None:
    """The source address a node sends from, when its messages follow SAE J1939."""
    for message in messages:
        if message.j1939 is not None:
            return split_identifier(message.identifier).source
    return None
