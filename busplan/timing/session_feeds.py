"""Feeds of the bus simulation for messages that travel as sessions: one feed a frame.

The bytes of transport frames: SAE J1939-21 and ISO 15765-2; from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from busplan.definitions.j1939 import split_identifier
from busplan.definitions.model import Message
from busplan.frames.columns import I64, U8
from busplan.timing.sessions import Session
from busplan.timing.simulation_input import Feed

MOST_FRAMES = 2000
"""Sessions of more frames are not simulated."""

_FILLER = 0xFF
"""Byte behind the last one of a message."""


def session_feeds(
    session: Session,
    due_ns: I64,
    queued_ns: I64,
    payloads: Callable[[I64], U8] | None,
    fifo: Callable[[str], bool],
) -> list[Feed]:
    """A feed for each frame of a session that begins at these times [ns].

    ``payloads`` gives the whole message; ``fifo`` says whether a node queues first-in-first-out.
    """
    message = session.stream.message
    content = _Content(message, payloads)
    feeds: list[Feed] = []
    for number, part in enumerate(session.order):
        sent = session.parts[part].stream
        name = f"{message.name} ({number + 1} of {len(session.order)})"
        sent = replace(sent, message=replace(sent.message, name=name))
        last = number == len(session.order) - 1
        feeds.append(
            Feed(
                stream=sent,
                due_ns=np.empty(0, np.int64) if feeds else due_ns,
                queued_ns=np.empty(0, np.int64) if feeds else queued_ns,
                payloads=partial(content.frame, session, number),
                fifo=fifo(sent.node),
                forwards=feeds[-1].stream.label if feeds else None,
                delay_ns=session.gap_ns[number],
                part_of=session.stream.label,
                ends=last,
                chain=session.chain if last or not feeds else (),
                pause_ns=session.pause_ns if last else 0,
            )
        )
    return feeds


def single_frame(message: Message, payloads: Callable[[I64], U8] | None, times_ns: I64) -> U8:
    """Payloads of a segmented message that fits one frame, its protocol byte before it."""
    body = _Content(message, payloads).whole(times_ns)
    address = [0] if message.segmented == "extended" else []
    long = message.length + len(address) > 7
    head = [*address, *([0, message.length] if long else [message.length])]
    return _framed(head, body, max(8, len(head) + message.length))


class _Content:
    """Whole messages at the times of their sessions, made once for all frames of them."""

    def __init__(self, message: Message, payloads: Callable[[I64], U8] | None) -> None:
        self._message = message
        self._payloads = payloads
        self._kept: tuple[I64, U8] | None = None

    def whole(self, times_ns: I64) -> U8:
        if self._kept is None or self._kept[0] is not times_ns:
            shape = len(times_ns), self._message.length
            given = None if self._payloads is None else self._payloads(times_ns)
            self._kept = times_ns, np.zeros(shape, np.uint8) if given is None else given
        return self._kept[1]

    def frame(self, session: Session, number: int, times_ns: I64) -> U8:
        """The frames of one place in the session, ``(n, length)``."""
        most = session.parts[0].stream.message.length
        rows = self.whole(times_ns)
        make = _segmented_frame if session.kind == "segmented" else _transport_frame
        head, first, last = make(session, number, most)
        return _framed(head, rows[:, first:last], most)


def _framed(head: list[int], body: U8, most: int) -> U8:
    rows = np.full((len(body), most), _FILLER, np.uint8)
    rows[:, : len(head)] = head
    rows[:, len(head) : len(head) + body.shape[1]] = body
    return rows


def _transport_frame(session: Session, number: int, most: int) -> tuple[list[int], int, int]:
    """Control bytes, and which bytes of the message follow them."""
    message, pace = session.stream.message, session.stream.pace
    fields = message.j1939 or split_identifier(message.identifier)
    group = list(fields.pgn.to_bytes(3, "little"))
    size = list(message.length.to_bytes(2, "little"))
    packets = session.order.count(1)
    sent = session.order[:number].count(1)
    if session.order[number] == 1:
        return [sent + 1], 7 * sent, min(7 * sent + 7, message.length)
    if session.order[number] == 0:
        request = session.kind == "connection"
        kind, room = (16, pace.window or 255) if request else (32, 255)
        return [kind, *size, packets, room, *group], 0, 0
    if number == len(session.order) - 1:
        return [19, *size, packets, 255, *group], 0, 0
    allowed = min(pace.window or packets, packets - sent)
    return [17, allowed, sent + 1, 255, 255, *group], 0, 0


def _segmented_frame(session: Session, number: int, most: int) -> tuple[list[int], int, int]:
    """Address and protocol bytes, and which bytes of the message follow them."""
    message, pace = session.stream.message, session.stream.pace
    address = [0] if message.segmented == "extended" else []
    if session.order[number] == 1:
        gap_ms = (pace.gap_ns or 0) / 1e6
        fine = 0xF0 + round(gap_ms * 10) if 0 < gap_ms < 0.95 else min(127, round(gap_ms))
        return [*address, 0x30, pace.window, fine], 0, 0
    length = message.length
    head = [0x10 | length >> 8, length & 0xFF]
    if length >= 4096:
        head = [0x10, 0, *length.to_bytes(4, "big")]
    first = most - len(address) - len(head)
    if number == 0:
        return [*address, *head], 0, first
    step = most - len(address) - 1
    sent = session.order[:number].count(0)
    begin = first + (sent - 1) * step
    return [*address, 0x20 | sent & 15], begin, min(begin + step, length)
