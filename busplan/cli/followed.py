"""Behaviours while listening: what becomes of each, told at once when one fails, and at the end."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from busplan.behaviour.following import Following
    from busplan.behaviour.report import BehaviourReport
    from busplan.plan.vehicle import Vehicle

LOOK_S = 1.0
"""Shortest time between two looks at what has arrived [s]."""
BUSY_PART = 0.25
"""Part of a core that looking may take while something is recorded."""


def followed(vehicle: Vehicle | None, networks: Sequence[str]) -> Following | None:
    """What follows a plan's behaviours; ``None`` when it has none."""
    if vehicle is None or not vehicle.behaviours:
        return None
    from busplan.behaviour.following import Following

    return Following(vehicle, networks)


class RecordedBehaviours:
    """Follows behaviours while a recorder runs; ``tell`` gets a line when one fails again.

    On a thread of its own, so that writing never waits.
    """

    def __init__(self, following: Following, tell: Callable[[str], None]) -> None:
        self._following, self._tell = following, tell
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._failed: dict[str, int] = {}
        self._broken = False
        self.add = following.add
        self.report: BehaviourReport | None = None

    def __enter__(self) -> RecordedBehaviours:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(30)
        if not self._thread.is_alive() and not self._broken:
            self._try()

    def _run(self) -> None:
        from time import thread_time

        pause = LOOK_S
        while not self._stop.wait(pause):
            begin = thread_time()
            self._try()
            if self._broken:
                return
            pause = max(LOOK_S, (thread_time() - begin) / BUSY_PART)

    def _try(self) -> None:
        try:
            self.look()
        except Exception as error:  # a look that fails must not end the recording
            self._broken, self.report = True, None
            self._tell(f"! behaviours not judged: {error}")

    def look(self) -> None:
        """Judge what has arrived so far."""
        from busplan.text.behaviour_text import told_of

        report = self._following.report()
        if report is None:
            return
        for verdict in report.verdicts:
            before = self._failed.get(verdict.behaviour.name, 0)
            if verdict.failed > before:
                self._tell(told_of(verdict))
            self._failed[verdict.behaviour.name] = verdict.failed
        self.report = report
