"""A search that ends soon after its time or Ctrl-C, whatever it is at.

The rules of this file: making a question of a large plan can take longer than the search may, and
so can a solver that is not told the time. Both work on threads that are left behind then.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, TypeVar

from busplan.cli.stopping import until

if TYPE_CHECKING:
    from busplan.allot.whole import Limits

T = TypeVar("T")
LATE_S = 2.0
"""A solver that has not ended so long after its time is not waited for."""


def in_time(
    search: Callable[[Limits], T],
    seconds: float,
    stop: Callable[[], bool],
    told: Callable[[float | None, float, str], None] = lambda best, bound, doing: None,
    tick: Callable[[], None] = lambda: None,
) -> T | None:
    """What ``search`` gives, or ``None`` when it had not even begun after so many ``seconds`` or
    when it was to ``stop``.

    It has begun when it has ``told`` something; then it ends by itself, with the best so far.
    ``tick`` is called again and again.
    """
    from busplan.allot.whole import Limits

    end = time.monotonic() + seconds
    begun: list[bool] = []
    left_behind: list[bool] = []

    def tell(best: float | None, bound: float, doing: str) -> None:
        begun.append(True)
        if not left_behind:
            told(best, bound, doing)

    def too_long() -> bool:
        return stop() or time.monotonic() > end + LATE_S

    def never_begun() -> bool:
        return not begun and (stop() or time.monotonic() > end)

    limits = Limits(seconds, time.monotonic, stop, tell, partial(until, too_long))
    found = until(never_begun, partial(search, limits), tick)
    if found is None:
        left_behind.append(True)
    return found
