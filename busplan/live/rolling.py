"""The last minutes of a live bus, in memory."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable, concatenate

MOST_REMEMBERED = 20_000
"""So many identifiers are remembered when their frames are forgotten."""


@dataclass(frozen=True, eq=False)
class Recent:
    """What is in memory at a moment.

    ``until_ns`` is the moment up to which was listened, counted from the first frame of ``table``
    as the sources' time stamps count; ``forgotten_ns`` is how far that first frame has moved since
    the last look. ``gone`` holds what is no longer in it: when its last frame came, counted
    likewise, so below zero. ``heard`` is what it was made of.
    """

    table: FrameTable
    until_ns: int
    forgotten_ns: int
    gone: Mapping[FrameKey, int] = field(default_factory=dict)
    heard: Heard = field(default_factory=lambda: Heard({}, 0))


@dataclass(frozen=True, eq=False)
class Heard:
    """When the last frame of each identifier came, and up to when was listened; absolute [ns]."""

    last_ns: Mapping[FrameKey, int]
    until_ns: int

    def overdue(self, allowed_ns: Mapping[FrameKey, float]) -> frozenset[FrameKey]:
        """What has been heard, but not for longer than it may be silent."""
        return frozenset(
            key
            for key, allowed in allowed_ns.items()
            if key in self.last_ns and self.until_ns - self.last_ns[key] > allowed
        )


class Rolling:
    """Keeps the newest frames; safe to fill from one thread and to read from one other.

    Old frames go in large steps: when more than twice ``keep_ns`` (or ``keep_frames``) is held, it
    is cut back to ``keep_ns``, so that moments on the screen rarely move.
    """

    def __init__(
        self,
        networks: tuple[str, ...],
        *,
        keep_ns: int,
        keep_frames: int = 1_000_000,
        now: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._networks = networks
        self._keep_ns = keep_ns
        self._keep_frames = keep_frames
        self._now = now
        self._lock = threading.Lock()
        self._tables: deque[FrameTable] = deque()
        self._newest_ns = 0
        self._arrived_ns = 0
        self._looked_ns = 0
        self._origin_ns: int | None = None
        self._last: dict[FrameKey, int] = {}

    def add(self, table: FrameTable) -> None:
        """What has just arrived; an empty table says that nothing has."""
        with self._lock:
            self._looked_ns = self._now()
            if not len(table):
                return
            self._tables.append(table)
            newest = int(table.time_ns.max())
            # A clock that was set back starts a new present.
            self._newest_ns, self._arrived_ns = newest, self._looked_ns
            for key, rows in table.groups.items():
                if key in self._last or len(self._last) < MOST_REMEMBERED:
                    self._last[key] = int(table.time_ns[rows[-1]])
            self._forget()

    def _forget(self) -> None:
        # What lies ahead of the present was stamped before a clock was set back.
        def apart(t_ns: int) -> int:
            return abs(self._newest_ns - t_ns)

        frames = sum(len(t) for t in self._tables)
        held = apart(self._tables[0].origin_ns)
        if held <= 2 * self._keep_ns and frames <= 2 * self._keep_frames:
            return
        while len(self._tables) > 1 and (
            apart(int(self._tables[0].time_ns.max())) > self._keep_ns or frames > self._keep_frames
        ):
            frames -= len(self._tables.popleft())

    def recent(self) -> Recent | None:
        """What is held now, or ``None`` before the first frame."""
        with self._lock:
            if not self._tables:
                return None
            tables = list(self._tables)
            heard = self._heard()
        # Put together for the caller only: what is held stays in pieces that can be forgotten.
        table = concatenate(tables)
        origin = table.origin_ns
        before = origin if self._origin_ns is None else self._origin_ns
        self._origin_ns = origin
        gone = {
            key: t - origin
            for key, t in heard.last_ns.items()
            if key not in table.groups and t < origin
        }
        return Recent(table, heard.until_ns - origin, origin - before, gone, heard)

    def heard(self) -> Heard:
        """What has been heard up to now: costs nothing, however much is held."""
        with self._lock:
            return self._heard()

    def _heard(self) -> Heard:
        until_ns = self._newest_ns + self._looked_ns - self._arrived_ns
        return Heard(dict(self._last), until_ns)
