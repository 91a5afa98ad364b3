"""Work on a thread of its own beside other work."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

A = TypeVar("A")
B = TypeVar("B")


class Beside(threading.Thread):
    """Work that has begun, on a thread that the end of the program does not wait for."""

    def __init__(self, work: Callable[[], None]) -> None:
        super().__init__(daemon=True)
        self._work = work
        self._error: BaseException | None = None
        self.start()

    def run(self) -> None:
        """Keep what is raised."""
        try:
            self._work()
        except BaseException as error:
            self._error = error

    def failed(self) -> None:
        """Raise it here."""
        if self._error is not None:
            raise self._error


def both(here: Callable[[], A], beside: Callable[[], B]) -> tuple[A, B]:
    """What both give; the second one is worked on beside the first."""
    found: list[B] = []
    thread = Beside(lambda: found.append(beside()))
    first = here()
    thread.join()
    thread.failed()
    return first, found[0]
