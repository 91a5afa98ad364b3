"""Work that kills its worker, as the system does to who takes too much memory."""

from __future__ import annotations

import os
import signal
from pathlib import Path

from busplan.fleet.engine import work_as_worker
from busplan.fleet.work import Outcome, Task


def work_that_kills(url: str, task: Task) -> Outcome:
    """``0.log`` always does, ``1.log`` the first time; all else is work as usual."""
    name = Path(task.name)
    died = name.with_suffix(".died")
    if name.name == "0.log" or (name.name == "1.log" and not died.exists()):
        died.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return work_as_worker(url, task)
