"""Who does the work: processes on this machine, a cluster by its scheduler, or this process.

All by Dask but the last. A worker that dies is started again and its capture tried anew; one that
kills its worker again and again is given up and named.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, Protocol

from busplan.errors import UsageError
from busplan.fleet.work import Outcome, Task, work

DEATHS = 2
"""Workers that a capture may kill before it is given up, besides the first."""


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
        self._tasks: dict[Any, Task] = {}

    @property
    def workers(self) -> int:
        """Workers there are now."""
        return max(len(self._client.scheduler_info(n_workers=-1)["workers"]), 1)

    def submit(self, task: Task) -> None:
        """Send it to the scheduler."""
        future = self._client.submit(
            work_as_worker, self._url, task, key=f"busplan-{task.run_key}-{os.getpid()}", pure=False
        )
        self._tasks[future] = task

    def finished(self, wait_s: float) -> list[tuple[Task, Outcome]]:
        """What workers have given back. :class:`EngineLostError` when nobody is there."""
        import distributed

        if not self._tasks:
            return []
        wait: Any = distributed.wait
        with suppress(TimeoutError):
            wait(list(self._tasks), timeout=wait_s, return_when="FIRST_COMPLETED")
        done = [f for f in self._tasks if f.status != "pending"]
        if any(f.status in ("cancelled", "lost") for f in done):
            raise EngineLostError(5, "the scheduler or its workers are gone")
        return [(self._tasks.pop(f), self._outcome(f)) for f in done]

    def _outcome(self, future: Any) -> Outcome:
        if future.status == "finished":
            try:
                result: Outcome = future.result(timeout=60)
            except (OSError, TimeoutError) as error:
                raise EngineLostError(5, f"the scheduler is gone: {error}") from error
            return result
        raised = future.exception()
        if type(raised).__name__ == "KilledWorker":
            return Outcome(
                None, f"every worker that judged it died ({DEATHS + 1} of them); look at its size"
            )
        return Outcome(None, f"unexpected {type(raised).__name__}: {raised}")

    def waiting(self) -> int:
        """Those sent and not back."""
        return len(self._tasks)

    def stop(self) -> None:
        """Call back all that is out."""
        with suppress(Exception):
            self._client.cancel(list(self._tasks), force=True)
        self._tasks.clear()


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
    settings = {
        "distributed.scheduler.allowed-failures": DEATHS,
        "distributed.worker.memory.target": False,
        "distributed.worker.memory.spill": False,
        "distributed.comm.timeouts.connect": "20s",
        "distributed.admin.log-length": 0,
        "logging": {"distributed": "critical", "tornado": "critical", "asyncio": "critical"},
    }
    with dask.config.set(settings), _quiet():
        if scheduler is not None:
            try:
                client = client_of(scheduler, timeout="20s")
            except (OSError, TimeoutError, ValueError) as error:
                raise UsageError(f"{scheduler}: no scheduler answers there: {error}") from error
            with _closing(client, None):
                yield OnCluster(client, url)
            return
        cluster = cluster_of(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address=None,
            preload=["busplan.fleet.worker"],
        )
        client = client_of(cluster)
        with _closing(client, cluster):
            yield OnCluster(client, url)


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
    import logging

    names = (
        "distributed",
        "distributed.nanny",
        "distributed.worker",
        "distributed.scheduler",
        "distributed.core",
        "distributed.comm",
        "distributed.client",
        "bokeh",
        "tornado",
        "distributed.batched",
        "distributed.utils",
        "asyncio",
    )
    before = {name: logging.getLogger(name).level for name in names}
    for name in names:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)
