"""Blocks of a file worked on in threads while it is read, handed on in its order."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache
from typing import TypeVar

Block = TypeVar("Block")
Result = TypeVar("Result")

_WORKERS = min(4, os.cpu_count() or 1)
_alone = False


def work_alone() -> None:
    """From now on this process reads in one thread: others like it have the other cores."""
    global _alone
    _alone = True


def in_order(blocks: Iterator[Block], work: Callable[[Block], Result]) -> Iterator[Result]:
    """``work`` of every block, in their order; ``work`` must let go of the interpreter lock.

    The first block is worked on at once: a small file needs no thread, and a file that is only
    looked into is not read any further.
    """
    for block in blocks:
        yield work(block)
        if not _alone:
            break
    pending: deque[Future[Result]] = deque()
    try:
        for block in blocks:
            pending.append(_pool().submit(work, block))
            if len(pending) > _WORKERS:
                yield pending.popleft().result()
        while pending:
            yield pending.popleft().result()
    finally:
        for future in pending:
            future.cancel()


@cache
def _pool() -> ThreadPoolExecutor:
    """The threads, shared by all reads.

    A pool for each read would have to be shut down when its generator ends, which may be when an
    abandoned one is collected, in the middle of starting another thread: a deadlock.
    """
    return ThreadPoolExecutor(_WORKERS, "reading")
