"""One question and the frames of its answer, put together: whole, refused, or not yet.

The rules of this file: pure. Frames that the protocol wants from whoever asked (flow control of ISO
15765-2, clearance and end of a J1939-21 connection) are returned for the caller to send. Layouts
from memory.
"""

from __future__ import annotations

from typing import NamedTuple

from busplan.decode.iso14229 import pending, positive, refusal
from busplan.decode.j1939_groups import ACKNOWLEDGMENT
from busplan.definitions.j1939 import GLOBAL_ADDRESS, join_identifier, split_identifier
from busplan.definitions.model import J1939Id
from busplan.live.questions import TOOL_ADDRESS, Question

TRANSPORT, PACKET = 60416, 60160
"""Groups of J1939-21 that manage a message of several packets, and that carry one."""
RTS, CTS, END, BAM = 16, 17, 19, 32
LONGEST = 4095
"""Bytes of an answer that are put together."""
_NOT_ACKNOWLEDGED = {1: "not acknowledged", 2: "access denied", 3: "busy, cannot respond"}


class Sent(NamedTuple):
    """A frame the protocol wants sent."""

    identifier: int
    extended: bool
    data: bytes


class Dialogue:
    """Follows the answer to one question that has just been sent."""

    def __init__(self, question: Question) -> None:
        self.question = question
        self.identifier: int | None = None
        """Under which the answer came, or comes."""
        self.data = b""
        """The answer without bytes of the transport, as far as it has come."""
        self.refused = ""
        """Why the node refuses."""
        self.done = False
        self.waits = False
        """The node said that its answer will take longer."""
        self.other: tuple[int, bytes] | None = None
        """The first frame under the answer's identifier that is no answer by the protocol."""
        self._length = 0
        self._next = 0

    @property
    def begun(self) -> bool:
        """Whether part of an answer has come."""
        return self.identifier is not None

    def hear(self, identifier: int, extended: bool, data: bytes) -> list[Sent]:
        """Take one frame of the bus; returns what has to be sent because of it."""
        if self.done or (identifier, data) == (self.question.identifier, self.question.data):
            return []  # our own question, brought back by the bus
        if self.question.group is not None and extended:
            return self._j1939(identifier, data)
        if not self.question.answered_by(identifier, extended, data):
            return []
        if self.question.service is None:
            return self._whole(identifier, data)
        return self._iso15765(identifier, data, self.question.service)

    def _whole(self, identifier: int, data: bytes) -> list[Sent]:
        self.identifier, self.data, self.done = identifier, data, True
        return []

    def _iso15765(self, identifier: int, data: bytes, service: int) -> list[Sent]:
        kind = data[0] >> 4 if data else 15
        if kind == 0 and 1 <= data[0] < len(data):
            return self._service(identifier, data, service)
        if kind == 1 and len(data) == 8 and not self.begun:
            self._length = (data[0] & 15) << 8 | data[1]
            if positive(service, data[2:]):
                self.identifier, self.data, self._next = identifier, data[2:], 1
                flow = bytes((0x30, 0, 0)).ljust(len(self.question.data), b"\x00")
                return [Sent(self.question.identifier, self.question.extended, flow)]
        if kind == 2 and identifier == self.identifier and data[0] & 15 == self._next & 15:
            self.data = (self.data + data[1:])[: self._length]
            self._next += 1
            self.done = len(self.data) >= self._length
            return []
        if self.other is None and not self.begun:
            self.other = identifier, data
        return []

    def _service(self, identifier: int, frame: bytes, service: int) -> list[Sent]:
        data = frame[1 : 1 + frame[0]]
        if pending(service, data):
            self.waits = True
            return []
        why = refusal(service, data)
        if why is not None:
            self.refused = why
            return self._whole(identifier, data)
        if positive(service, data):
            return self._whole(identifier, data)
        if self.other is None:
            self.other = identifier, frame
        return []

    def _j1939(self, identifier: int, data: bytes) -> list[Sent]:
        fields = split_identifier(identifier)
        node = split_identifier(self.question.answer_identifier).source
        for_us = fields.destination in (TOOL_ADDRESS, GLOBAL_ADDRESS)
        group = self.question.group or 0
        # A claim of "no address" comes from the null address.
        if self.question.answered_by(identifier, True, data):
            return self._whole(identifier, data)
        if fields.source != node or not for_us or len(data) != 8:
            return []
        asked = int.from_bytes(data[5:8], "little") == group
        if fields.pgn == ACKNOWLEDGMENT and asked and data[0] in _NOT_ACKNOWLEDGED:
            self.refused = _NOT_ACKNOWLEDGED[data[0]]
            return self._whole(identifier, data)
        if fields.pgn == TRANSPORT and asked and data[0] in (RTS, BAM):
            self.identifier, self.data, self._next = identifier, b"", 1
            self._length = min(int.from_bytes(data[1:3], "little"), LONGEST)
            if data[0] == RTS:
                return [self._to(node, bytes((CTS, data[3], 1, 0xFF, 0xFF)) + data[5:8])]
        elif fields.pgn == PACKET and self.begun and data[0] == self._next:
            self.data = (self.data + data[1:])[: self._length]
            self._next += 1
            self.done = len(self.data) >= self._length
            if self.done and fields.destination == TOOL_ADDRESS:
                end = bytes((END,)) + self._length.to_bytes(2, "little")
                packets = bytes((self._next - 1, 0xFF))
                return [self._to(node, end + packets + group.to_bytes(3, "little"))]
        return []

    def _to(self, node: int, data: bytes) -> Sent:
        return Sent(join_identifier(J1939Id(7, TRANSPORT, TOOL_ADDRESS, node)), True, data)
