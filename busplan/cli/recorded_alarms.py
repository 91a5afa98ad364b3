"""Alarms while recording: limits judged on a thread of its own, so that writing never waits."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from busplan.live.rolling import Rolling
from busplan.replay.replay import Replay
from busplan.text.board_text import alarm_lines
from busplan.text.runs import text

if TYPE_CHECKING:
    from busplan.board.alarms import Alarm
    from busplan.board.desk import BoardDesk
    from busplan.plan.vehicle import Vehicle

LOOK_S = 1.0
"""Time between two looks at what has arrived [s]."""
HELD_NS = 10_000_000_000
"""So much is held, that slow messages have come before their values are compared."""


class RecordedAlarms:
    """Judges what a recorder hands over; ``tell`` gets a line when an alarm rises or falls."""

    def __init__(
        self,
        vehicle: Vehicle,
        networks: tuple[str, ...],
        desk: BoardDesk,
        tell: Callable[[str], None],
    ) -> None:
        self._vehicle, self._desk, self._tell = vehicle, desk, tell
        self._rolling = Rolling(networks, keep_ns=HELD_NS)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._known: dict[object, Alarm] = {}
        self.add = self._rolling.add

    def __enter__(self) -> RecordedAlarms:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(10)
        self.look()

    def _run(self) -> None:
        while not self._stop.wait(LOOK_S):
            try:
                self.look()
            except Exception as error:  # a look that fails must not end the recording
                self._tell(f"! alarms not worked out: {error}")
                return

    def look(self) -> None:
        """Judge what has arrived since the last look."""
        recent = self._rolling.recent()
        if recent is None:
            return
        shown = Replay.of(self._vehicle, recent.table, until_ns=recent.until_ns)
        self._desk.shift(recent.forgotten_ns)
        for alarm in self._desk.live(shown).alarms:
            key = (alarm.limit, alarm.raised_ns + shown.index.origin_ns)
            before = self._known.get(key)
            if before is None or (before.cleared_ns is None) != (alarm.cleared_ns is None):
                for line in alarm_lines([alarm], 100):
                    self._tell(text(line))
            self._known[key] = alarm
