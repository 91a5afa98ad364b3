"""Loaded by each worker of this machine as it starts."""

from __future__ import annotations

import logging
import signal
from contextlib import suppress
from typing import Any

NOISY = (
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
"""Who would write into the terminal of a run, with tracebacks."""


def quieten() -> None:
    """Keep their messages to themselves; what they mean is told by outcomes."""
    for name in NOISY:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)


def dask_setup(worker: Any) -> None:
    """Leave Ctrl-C to the run: it ends its workers once what they have done is kept."""
    del worker
    quieten()
    with suppress(ValueError):  # not in the main thread
        signal.signal(signal.SIGINT, signal.SIG_IGN)
