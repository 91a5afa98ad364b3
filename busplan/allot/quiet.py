"""Standard output is for what a command prints, not for a library that the search calls.

The solver of mixed-integer programmes writes a line of its own there when it mends a solution, past
Python and whatever it is told; in front of a JSON document that is one line too many.
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress

_STDOUT = 1


@contextmanager
def quiet_libraries() -> Iterator[None]:
    """What is written to standard output meanwhile is dropped; standard error stays as it is."""
    sys.stdout.flush()
    try:
        kept = os.dup(_STDOUT)
    except OSError:  # there is none
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, _STDOUT)
    try:
        yield
    finally:
        _flush_c()
        os.dup2(kept, _STDOUT)
        os.close(kept)
        os.close(nowhere)


def _flush_c() -> None:
    """What C has kept back is written before standard output is itself again."""
    for library in (None, "ucrtbase"):
        with suppress(OSError, TypeError, AttributeError):
            ctypes.CDLL(library).fflush(None)
            return
