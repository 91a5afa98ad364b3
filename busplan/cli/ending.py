"""How the process ends."""

from __future__ import annotations

import atexit
import contextlib
import os
import sys
import threading


def end(code: int) -> None:
    """End the process with an exit code; never returns.

    Whoever quits does not wait for work beside the screens. A thread that is still inside compiled
    code when the interpreter takes itself down is ended there by force, and the C++ runtime then
    aborts the process (signal 6 instead of the exit code). So with such a thread the process does
    what is registered for its end, writes out what it has printed, and leaves at once.
    """
    if not any(thread.daemon for thread in threading.enumerate()):
        sys.exit(code)
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError, OSError, ValueError):  # none, or nobody reads it
            stream.flush()
    os._exit(code)
