"""What goes into the bus simulation: feeds of frames, and faults."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from busplan.frames.columns import I32, I64, U8
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream

Payloads = Callable[[I64], U8]
"""Times when frames are queued [ns], shape ``(n,)`` → their payloads, ``(n, length)``.

Called once a feed, so that signal scripts are vectorised. The width is the length really sent; a
CAN FD payload is padded with zeros to the next possible length.
"""

BitCount = Callable[[FrameTable], tuple[I32, I32]]
"""Arbitration and data bits of each frame of a table: :func:`exact_bits`, or for worst cases
:func:`busplan.wire.lengths.worst_table_bits`."""


@dataclass(frozen=True, eq=False)
class Feed:
    """One stream's frames: when each is due and queued, and what it carries.

    ``due_ns`` and ``queued_ns`` have shape ``(n,)``; ``queued_ns`` never falls. ``payloads`` may be
    ``None``: zeros. A forwarded feed names the feed it repeats by that stream's label in
    ``forwards``, is queued ``delay_ns`` after each of its frames and has no times of its own; its
    payloads are those of its source, or, with ``payloads``, its own at the times when the first of
    the chain of sources is queued.

    A session is one feed a frame, each forwarding the one before, ``part_of`` the message's label.
    The first has the times of the message; the last is marked ``ends``. Sessions of one ``chain``
    follow each other in the order in which they are queued, with ``pause_ns`` between them: the
    first frame is queued then, if its own time has come.
    """

    stream: Stream
    due_ns: I64 = field(default_factory=lambda: np.empty(0, np.int64))
    queued_ns: I64 = field(default_factory=lambda: np.empty(0, np.int64))
    payloads: Payloads | None = None
    fifo: bool = False
    overwrite: bool = False
    forwards: str | None = None
    delay_ns: int = 0
    part_of: str = ""
    ends: bool = False
    chain: tuple[str, ...] = ()
    pause_ns: int = 0


@dataclass(frozen=True, eq=False)
class Faults:
    """Disturbances of one network: when [ns], rising, and the bits of the error frame after each.

    ``bits`` counts from the fault to the next possible start of frame.
    """

    at_ns: I64
    bits: I64
