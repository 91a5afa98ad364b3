"""Loaded by each worker of this machine as it starts."""

from __future__ import annotations

import signal
from contextlib import suppress
from typing import Any


def dask_setup(worker: Any) -> None:
    """Leave Ctrl-C to the run: it ends its workers once what they have done is kept."""
    del worker
    with suppress(ValueError):  # not in the main thread
        signal.signal(signal.SIGINT, signal.SIG_IGN)
