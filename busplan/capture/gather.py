"""Frames that come one by one from a file, checked and gathered into columns."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from busplan.capture.chunks import LATEST_S, ChannelNames, Chunk
from busplan.capture.object_frames import flags_of, nanoseconds
from busplan.capture.tally import Tally
from busplan.findings import Weight
from busplan.frames.kinds import ERROR, EXTENDED, FD, FD_LENGTHS, REMOTE
from busplan.wording import counted

if TYPE_CHECKING:
    import can

CHUNK = 1 << 16
"""Frames gathered before they become columns."""
NO_CHANNEL = "unnamed"
"""Channel name of frames whose file does not say where they came from."""


class Gatherer:
    """Collects frames row by row and hands them on as a :class:`Chunk`."""

    def __init__(
        self, tally: Tally, names: ChannelNames, *, text: bool = False, knows_fd: bool = True
    ) -> None:
        """``text``: a payload shorter than its stated length is a torn line, not a quirk."""
        self._tally = tally
        self._names = names
        self._text = text
        self._knows_fd = knows_fd
        self._reset()
        self.length_differs = 0
        self.fd_assumed = 0

    def _reset(self) -> None:
        self._times: list[float] = []
        self._rows: list[tuple[int, int, int, int]] = []
        self._payload = bytearray()

    def __len__(self) -> int:
        return len(self._rows)

    def add(self, message: can.Message, time_s: float, channel: str, place: int) -> None:
        """Add one frame, or set it aside at ``place`` when it cannot be one."""
        self.add_fields(
            time_s,
            channel,
            int(message.arbitration_id),
            flags_of(message),
            int(message.dlc),
            bytes(message.data or b""),
            place,
        )

    def add_fields(
        self,
        time_s: float,
        channel: str,
        identifier: int,
        flags: int,
        stated: int,
        data: bytes,
        place: int,
    ) -> None:
        """The same from single values; ``stated`` is the length the entry itself gives."""
        reason = None
        length = len(data)
        if length > 8 and not flags & FD and not self._knows_fd:
            flags |= FD
            self.fd_assumed += 1
        if flags & FD:
            # CAN FD knows no remote frames; a library may call one without payload so.
            flags &= ~REMOTE
        else:
            # A classical frame may carry a length code above 8; it still means 8 bytes.
            stated = min(stated, 8)
        if not math.isfinite(time_s) or abs(time_s) > LATEST_S:
            reason = "has no believable time"
        elif not 0 <= identifier <= (0x7FF if not flags & (EXTENDED | ERROR) else 0x1FFFFFFF):
            reason = "has an identifier out of range"
        elif flags & REMOTE:
            data, length = b"", max(0, stated)
        elif flags & FD and length not in FD_LENGTHS:
            reason = "has a CAN FD payload length that no CAN FD frame can have"
        elif not flags & FD and length > 8:
            reason = "has a payload longer than its kind of frame can hold"
        elif length != stated and not flags & ERROR:
            if self._text and length < stated:
                reason = "has a payload shorter than the length it states"
            self.length_differs += 1
        if reason:
            self._tally.set_aside(reason, place)
            return
        self._times.append(time_s)
        self._rows.append((self._names.index(channel), identifier, flags, length))
        self._payload += data

    def chunk(self, shift_ns: int = 0) -> Chunk:
        """Everything gathered since the last call, its times shifted by ``shift_ns``."""
        columns = np.array(self._rows, np.int64).reshape(-1, 4).T
        payload = np.frombuffer(bytes(self._payload), np.uint8)
        time_ns = nanoseconds(self._times) + shift_ns
        self._reset()
        return Chunk(
            time_ns,
            columns[0].astype(np.uint16),
            columns[1].astype(np.uint32),
            columns[2].astype(np.uint8),
            columns[3].astype(np.uint8),
            payload,
        )

    def remark(self) -> None:
        """Tell the tally what was decided for the whole file."""
        if self.length_differs:
            self._tally.remark(
                "length-field-differs",
                Weight.NOTE,
                f"{counted(self.length_differs, 'frame')} with another length stated than the "
                "bytes "
                "carried; the bytes are believed",
                why="Formats mix length and length code; only the bytes are certain.",
                action="Check one of these frames against the bus if its length matters.",
            )
        if self.fd_assumed:
            self._tally.remark(
                "frame-kind-assumed",
                Weight.CAUTION,
                f"{counted(self.fd_assumed, 'frame')} of more than 8 bytes, taken as CAN FD "
                "without "
                "bit-rate switch; the format itself does not say",
                why="Their time on the wire is then longer than it was.",
                action="Record CAN FD networks in a format that keeps the frame's kind.",
            )
