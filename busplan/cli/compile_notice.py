"""Saying that compiling goes on: one line on stderr, once."""

from __future__ import annotations

import sys
import threading
import time

from busplan import compile_listener

LINE = "busplan: preparing compiled parts, a few seconds (once after installing)"
NOT_KEPT = (
    "busplan: preparing compiled parts, up to a minute, each time: no folder to keep them can be "
    "written; set NUMBA_CACHE_DIR to one"
)
PATIENCE_S = 1.0
"""Without a terminal, nothing is said about shorter compiling."""


class Preparing:
    """Listener for ``busplan.compile_listener``: says so at once on a terminal,
    else when the compiling of this run has taken :data:`PATIENCE_S` in all."""

    def __init__(self) -> None:
        self._depth = 0
        self._spent = 0.0
        self._begin = 0.0
        self._said = False
        self._timer: threading.Timer | None = None

    def __call__(self, begins: bool) -> None:
        """Compiling of a kernel begins or ends; one may begin within another."""
        self._depth += 1 if begins else -1
        if self._said:
            return
        if begins and self._depth == 1:
            self._begin = time.monotonic()
            if sys.stderr.isatty():
                self._say()
                return
            self._timer = threading.Timer(max(0.0, PATIENCE_S - self._spent), self._say)
            self._timer.daemon = True
            self._timer.start()
        elif not self._depth and self._timer is not None:
            self._timer.cancel()
            self._timer.join()  # gone, not only told to go: a thread left changes how we end
            self._spent += time.monotonic() - self._begin

    def _say(self) -> None:
        if not self._said:
            self._said = True
            line = LINE if compile_listener.kept else NOT_KEPT
            sys.stderr.write(line + "\n")  # as it is now: a progress display may stand in for it
