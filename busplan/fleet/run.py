"""A run: what is known stays, what is not is judged, largest first, and committed in batches.

Nothing is remembered between runs but the table itself: to go on after a kill is to run again.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from busplan.fleet.catalogue import Fleet
from busplan.fleet.engine import Engine
from busplan.fleet.lease import BEAT_S, Leases
from busplan.fleet.work import Outcome, Task

BATCH_S = 15.0
"""A finished judgement waits so long at most for its commit: what a kill can cost."""
BATCH_ROWS = 32
"""So many, for each worker, are committed at once."""
AHEAD = 2
"""Tasks that a worker has waiting."""


@dataclass(eq=False)
class Run:
    """How a run stands: counts of captures, bytes and frames; what was refused, what failed."""

    total: int = 0
    known: int = 0
    judged: int = 0
    refused: list[tuple[str, str]] = field(default_factory=list)
    """Captures that cannot be judged, and why."""
    failed: list[tuple[str, str]] = field(default_factory=list)
    """Captures that could not be judged this time, and why."""
    elsewhere: int = 0
    """Captures that another run judged meanwhile, or is at."""
    size: int = 0
    done_size: int = 0
    frames: int = 0
    cpu_s: float = 0.0
    began_s: float = field(default_factory=time.monotonic)
    error: str = ""
    """Why the run as a whole ended before its end."""

    @property
    def seconds(self) -> float:
        """How long it has run [s]."""
        return time.monotonic() - self.began_s

    @property
    def whole(self) -> bool:
        """Whether every capture has its answer."""
        return not self.failed and not self.error

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "captures": self.total,
            "known": self.known,
            "judged": self.judged,
            "refused": [{"capture": c, "reason": r} for c, r in self.refused],
            "failed": [{"capture": c, "reason": r} for c, r in self.failed],
            "by_another_run": self.elsewhere,
            "frames": self.frames,
            "bytes": self.done_size,
            "seconds": round(self.seconds, 3),
            "worker_cpu_seconds": round(self.cpu_s, 3),
            "error": self.error,
        }


Told = Callable[[Run], None]


def tasks_to_do(fleet: Fleet, vehicles: Sequence[str], *, again: bool) -> tuple[list[Task], Run]:
    """What has no judgement yet (everything when ``again``), largest first."""
    tasks = [t for t in fleet.tasks() if not vehicles or t.vehicle in vehicles]
    known = set() if again else fleet.judgements.known([t.run_key for t in tasks])
    left = sorted((t for t in tasks if t.run_key not in known), key=lambda t: -t.size)
    return left, Run(len(tasks), len(tasks) - len(left), size=sum(t.size for t in left))


class Coordinator:
    """One run over one fleet."""

    def __init__(
        self,
        fleet: Fleet,
        engine: Engine,
        run: Run,
        *,
        again: bool = False,
        told: Told | None = None,
        stopped: Callable[[], bool] = lambda: False,
    ) -> None:
        self._fleet, self._engine, self.run = fleet, engine, run
        self._again = again
        self._told = told or (lambda run: None)
        self._stopped = stopped
        self._leases = Leases(fleet.place)
        self._beat_s = float("-inf")
        self._rows: list[dict[str, Any]] = []
        self._first_row_s = 0.0
        self._company = False

    def judge(self, tasks: Sequence[Task]) -> Run:
        """Judge them all.

        Once ``stopped`` says so, what is done is kept and ``KeyboardInterrupt`` raised.
        """
        try:
            self._beat()
            self._company = self._leases.others()
            self._work(deque(tasks))
        except OSError as error:
            self._lost(error)
        finally:
            self._engine.stop()
            self._end()
        return self.run

    def _lost(self, error: OSError) -> None:
        place = f"{error.filename}: " if error.filename else ""
        self.run.error = f"{place}{error.strerror or error}"

    def _end(self) -> None:
        """Keep what is done and give back what is not, as far as the store still answers."""
        for step in (self._commit, self._leases.end, self._leases.sweep):
            try:
                step()
            except OSError as error:
                if not self.run.error:
                    self._lost(error)

    def _work(self, waiting: deque[Task]) -> None:
        theirs: deque[Task] = deque()
        while waiting or theirs or self._engine.waiting():
            room = AHEAD * self._engine.workers - self._engine.waiting()
            while waiting and room > 0:
                room -= self._begin(waiting.popleft(), theirs)
            if self._engine.waiting():
                for task, outcome in self._engine.finished(0.5):
                    self._take(task, outcome)
            elif not waiting and theirs:
                self._commit()
                time.sleep(0.5)
                self.run.elsewhere = len(theirs)
                waiting, theirs = self._still_open(theirs), deque()
            self._beat()
            if self._rows and time.monotonic() - self._first_row_s > BATCH_S:
                self._commit()
            self._told(self.run)
            if self._stopped():
                raise KeyboardInterrupt

    def _begin(self, task: Task, theirs: deque[Task]) -> int:
        """Give a task to the engine, unless another run has it; how many were given."""
        if not self._leases.take(task.run_key):
            self._company = True
            theirs.append(task)
            return 0
        if self._company and not self._again and self._fleet.judgements.known([task.run_key]):
            self._leases.give_back(task.run_key)
            self._by_others(task)
            return 0
        self._engine.submit(task)
        return 1

    def _still_open(self, theirs: Sequence[Task]) -> deque[Task]:
        """Those of another run's that have no judgement yet."""
        known = self._fleet.judgements.known([t.run_key for t in theirs])
        for task in theirs:
            if task.run_key in known:
                self._by_others(task)
        return deque(t for t in theirs if t.run_key not in known)

    def _by_others(self, task: Task) -> None:
        self.run.known += 1
        self.run.done_size += task.size

    def _take(self, task: Task, outcome: Outcome) -> None:
        self.run.done_size += task.size
        self.run.cpu_s += outcome.cpu_s
        if outcome.row is None:
            self.run.failed.append((task.name, outcome.error))
            self._leases.give_back(task.run_key)
            return
        row = outcome.row | {"judged_ns": time.time_ns()}
        if row["state"] == "refused":
            self.run.refused.append((task.name, row["error"]))
        else:
            self.run.frames += row["frames"]
        self._first_row_s = self._first_row_s if self._rows else time.monotonic()
        self._rows.append(row)
        if len(self._rows) >= BATCH_ROWS * self._engine.workers:
            self._commit()

    def _commit(self) -> None:
        """Rows into the table: all of them, or none and an ``OSError``."""
        rows, self._rows = self._rows, []
        if not rows:
            return
        done = self._fleet.judgements.add(rows, replace=self._again)
        self.run.judged += done
        self.run.known += len(rows) - done
        for row in rows:
            self._leases.give_back(row["run_key"])

    def _beat(self) -> None:
        if time.monotonic() - self._beat_s > BEAT_S:
            self._leases.beat()
            self._beat_s = time.monotonic()
