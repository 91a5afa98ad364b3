"""Ctrl-C during a search: it ends with the best so far, and nobody waits for the solver.

The rules of this file: the solver of one programme cannot be stopped, so it works on a thread of
its own, which is left behind when it is not waited for any more.
"""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TypeVar

from busplan.allot.beside import Beside
from busplan.cli.output import say

A = TypeVar("A")
T = TypeVar("T")
_LOOK_S = 0.05
"""So often it is looked whether to stop."""


@contextmanager
def stopping() -> Iterator[Callable[[], bool]]:
    """Ctrl-C asks the search to end with the best so far; a second one ends it at once."""
    import signal

    asked: list[bool] = []

    def stop(number: int, frame: object) -> None:
        if asked:
            raise KeyboardInterrupt
        asked.append(True)
        if sys.stderr.isatty():
            sys.stderr.write("\r" + " " * 79 + "\r")
        say("ending with the best so far; once more to end at once", err=True)

    try:
        before = signal.signal(signal.SIGINT, stop)
    except ValueError:  # not in the main thread
        yield lambda: False
        return
    try:
        yield lambda: bool(asked)
    finally:
        signal.signal(signal.SIGINT, before)


def until(
    stop: Callable[[], bool], work: Callable[[], T], tick: Callable[[], None] = lambda: None
) -> T | None:
    """What ``work`` gives, or ``None`` as soon as it is to stop; it then goes on for nobody.

    ``tick`` is called meanwhile, again and again.
    """
    found: list[T] = []
    thread = Beside(lambda: found.append(work()))
    while thread.is_alive():
        thread.join(_LOOK_S)
        tick()
        if thread.is_alive() and stop():
            return None
    thread.failed()
    return found[0]


def two_at_a_time(work: Callable[[A], T], items: Sequence[A]) -> list[T]:
    """What ``work`` gives for each of these, in their order; whoever is interrupted waits for none
    of them."""
    waiting = deque(enumerate(items))
    found: dict[int, T] = {}

    def run() -> None:
        while True:
            try:
                number, item = waiting.popleft()
            except IndexError:  # none is left
                return
            found[number] = work(item)

    threads = [Beside(run) for _ in range(2)]
    while any(thread.is_alive() for thread in threads):
        for thread in threads:
            thread.join(_LOOK_S)
    for thread in threads:
        thread.failed()
    return [found[number] for number in range(len(items))]
