"""Who does the work: processes on this machine, a cluster by its scheduler, or this process.

All by Dask but the last. A worker that dies is started again and its capture tried anew; one that
kills its worker again and again is given up and named. So that no other is named with it, a worker
has one capture at a time.
"""

from __future__ import annotations

import logging
import os
import sys
import time
from collections import Counter, deque
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, Protocol

from busplan.errors import UsageError
from busplan.fleet.work import Outcome, Task, work
from busplan.fleet.worker import NOISY, quieten

DEATHS = 2
"""Workers that a capture may kill before it is given up, besides the first."""
COUNT_S = 5.0
"""Workers may come and go; they are counted so often [s]."""

FORKED = sys.platform == "linux"
"""Workers are forked from a process that has loaded what they need; elsewhere each loads it."""

SETTINGS = {
    "distributed.scheduler.allowed-failures": 0,
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.comm.timeouts.connect": "20s",
    "distributed.admin.log-length": 0,
    "logging": {"distributed": "critical", "tornado": "critical", "asyncio": "critical"},
    "distributed.worker.multiprocessing-method": "forkserver" if FORKED else "spawn",
    "distributed.nanny.pre-spawn-environ": {
        **dict.fromkeys(("OMP_NUM_THREADS", "MKL_NUM_THREADS", "OPENBLAS_NUM_THREADS"), 1),
        # Columns of a capture come and go: given back to the system each time, they would cost
        # 80,000 page faults a capture, a third of its processor time.
        "MALLOC_TRIM_THRESHOLD_": 256 << 20,
        "MALLOC_MMAP_THRESHOLD_": 64 << 20,
        "MALLOC_ARENA_MAX": 1,
    },
    # What watches is made for many small tasks: on tasks of a second it costs more than all else
    # that the engine does (a tenth of a worker, a sixteenth of the coordinator).
    "distributed.worker.profile.enabled": False,
    "distributed.worker.memory.monitor-interval": "2s",
    "distributed.admin.tick.interval": "5s",
    "distributed.admin.tick.cycle": "30s",
    "distributed.scheduler.work-stealing": False,  # nobody has a task waiting
    "distributed.admin.system-monitor.interval": "5s",
    "distributed.admin.system-monitor.gil.enabled": False,
    "distributed.scheduler.active-memory-manager.start": False,
    "distributed.deploy.cluster-repr-interval": "60s",
    "distributed.client.scheduler-info-interval": "60s",
}


class EngineLostError(OSError):
    """The scheduler, or all that works, is gone."""


class Engine(Protocol):
    """Takes tasks and gives outcomes, in any order."""

    @property
    def workers(self) -> int:
        """How many work at once."""

    def submit(self, task: Task) -> None:
        """Have a task done."""

    def finished(self, wait_s: float) -> list[tuple[Task, Outcome]]:
        """What has been done since; waits so long at most when nothing has."""

    def waiting(self) -> int:
        """Tasks submitted and not given back."""

    def stop(self) -> None:
        """Give up what has not begun."""


class InThisProcess:
    """One after the other, here: for little work, and for tests."""

    def __init__(self, url: str) -> None:
        self._url = url
        self._queue: deque[Task] = deque()

    @property
    def workers(self) -> int:
        """One."""
        return 1

    def submit(self, task: Task) -> None:
        """Put it at the end."""
        self._queue.append(task)

    def finished(self, wait_s: float) -> list[tuple[Task, Outcome]]:
        """Do the next one."""
        if not self._queue:
            return []
        task = self._queue.popleft()
        return [(task, work(self._url, task))]

    def waiting(self) -> int:
        """Those not begun."""
        return len(self._queue)

    def stop(self) -> None:
        """Forget those not begun."""
        self._queue.clear()


class OnCluster:
    """Through a Dask client, wherever its workers are."""

    def __init__(self, client: Any, url: str) -> None:
        self._client, self._url = client, url
        self._queue: deque[Task] = deque()
        self._out: dict[Any, Task] = {}
        self._deaths: Counter[str] = Counter()
        self._counted, self._counted_s = 1, float("-inf")

    @property
    def workers(self) -> int:
        """Workers there are now, counted now and then."""
        if time.monotonic() - self._counted_s > COUNT_S:
            there = self._client.scheduler_info(n_workers=-1)["workers"]
            self._counted, self._counted_s = max(len(there), 1), time.monotonic()
        return self._counted

    def submit(self, task: Task) -> None:
        """Send it to the scheduler, as soon as a worker has nothing to do."""
        self._queue.append(task)
        self._send()

    def _send(self) -> None:
        while self._queue and len(self._out) < self.workers:
            task = self._queue.popleft()
            key = f"busplan-{task.run_key}-{os.getpid()}-{self._deaths[task.run_key]}"
            future = self._client.submit(work_as_worker, self._url, task, key=key, pure=False)
            self._out[future] = task

    def finished(self, wait_s: float) -> list[tuple[Task, Outcome]]:
        """What workers have given back. :class:`EngineLostError` when nobody is there."""
        import distributed

        self._send()
        if not self._out:
            return []
        wait: Any = distributed.wait
        with suppress(TimeoutError):
            wait(list(self._out), timeout=wait_s, return_when="FIRST_COMPLETED")
        ended = [f for f in self._out if f.status != "pending"]
        if any(f.status in ("cancelled", "lost") for f in ended):
            raise EngineLostError(5, "the scheduler or its workers are gone")
        done = [(self._out.pop(f), f) for f in ended]
        self._send()  # before the rows are fetched: workers go on meanwhile
        told = [(task, self._outcome(task, future)) for task, future in done]
        return [(task, outcome) for task, outcome in told if outcome is not None]

    def _outcome(self, task: Task, future: Any) -> Outcome | None:
        """What came of it; ``None`` when its worker died and it is to be tried again."""
        if future.status == "finished":
            try:
                result: Outcome = future.result(timeout=60)
            except (OSError, TimeoutError) as error:
                raise EngineLostError(5, f"the scheduler is gone: {error}") from error
            return result
        raised = future.exception()
        if type(raised).__name__ != "KilledWorker":
            return Outcome(None, f"unexpected {type(raised).__name__}: {raised}")
        self._counted_s = float("-inf")  # there is one worker less, until it is started again
        self._deaths[task.run_key] += 1 + raised.allowed_failures
        if self._deaths[task.run_key] <= DEATHS:
            self._queue.append(task)
            return None
        died = self._deaths[task.run_key]
        return Outcome(None, f"every worker that judged it died ({died} of them); look at its size")

    def waiting(self) -> int:
        """Those not back."""
        return len(self._queue) + len(self._out)

    def stop(self) -> None:
        """Call back all that is out."""
        with suppress(Exception):
            self._client.cancel(list(self._out), force=True)
        self._queue.clear()
        self._out.clear()


def work_as_worker(url: str, task: Task) -> Outcome:
    """:func:`work` in a process that has one core for itself."""
    import pyarrow

    from busplan.capture.ahead import work_alone

    work_alone()
    pyarrow.set_cpu_count(1)
    return work(url, task)


@contextmanager
def engine(url: str, workers: int, scheduler: str | None) -> Iterator[Engine]:
    """So many processes of this machine (0: this one), or the workers of a scheduler."""
    if workers == 0 and scheduler is None:
        yield InThisProcess(url)
        return
    import dask
    import distributed

    client_of: Any = distributed.Client
    cluster_of: Any = distributed.LocalCluster
    with dask.config.set(SETTINGS), _quiet():
        if scheduler is not None:
            try:
                client = client_of(scheduler, timeout="20s")
            except (OSError, TimeoutError, ValueError) as error:
                raise UsageError(f"{scheduler}: no scheduler answers there: {error}") from error
            with _closing(client, None):
                yield OnCluster(client, url)
            return
        _fork_from_a_warm_process()
        cluster = cluster_of(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address=None,
            scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},  # not 8787, which others have
            preload=["busplan.fleet.worker"],
        )
        client = client_of(cluster)
        with _closing(client, cluster):
            yield OnCluster(client, url)


def _fork_from_a_warm_process() -> None:
    """Say what the process that workers are forked from is to load before it forks the first."""
    if FORKED:
        from multiprocessing import get_context

        from distributed.utils import get_mp_context

        mine: Any = get_mp_context
        mine()  # which has a list of its own, and sets it once
        get_context("forkserver").set_forkserver_preload(["distributed", "busplan.fleet.warmed"])


@contextmanager
def _closing(client: Any, cluster: Any) -> Iterator[None]:
    try:
        yield
    finally:
        with suppress(Exception):
            client.close(timeout=5)
        if cluster is not None:
            with suppress(Exception):
                cluster.close(timeout=10)


@contextmanager
def _quiet() -> Iterator[None]:
    """Dask's own messages do not belong on the terminal; what they mean is told by outcomes."""
    before = {name: logging.getLogger(name).level for name in NOISY}
    quieten()
    try:
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)
