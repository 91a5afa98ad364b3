"""The rule of one alarm: it rises after a time beyond its limit and falls after a time back.

Raised when the value has been beyond the limit without a break for ``for_ns``; cleared when it has
been back, by the stated margin, without a break for ``clear_ns``; in between nothing changes.
Without a value nothing is beyond and nothing is back: a gap breaks both. Values hold until the next
one or until they are too old. All by the times of frames.

That a delay and a margin both are needed: IEC 62682 and EEMUA 191 on dead bands and delays, from
memory; the times are common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import I8, I64

BEYOND, BACK, NEITHER = 1, -1, 0


class Change(NamedTuple):
    """A moment at which an alarm was ``raised`` or cleared, with the spell's begin."""

    at_ns: int
    raised: bool
    since_ns: int


class Latch:
    """The state of one alarm, fed with what came, in pieces or at once: the result is the same."""

    def __init__(self, for_ns: int, clear_ns: int) -> None:
        self.raised = False
        self._due = {BEYOND: for_ns, BACK: clear_ns}
        self._last: tuple[int, int] | None = None
        self._since: dict[int, int | None] = {BEYOND: None, BACK: None}
        self._until_ns: int | None = None

    def feed(self, time_ns: I64, state: I8, allowed_ns: float, until_ns: int) -> list[Change]:
        """What changed by values at ``time_ns`` (n,), ascending, up to ``until_ns``.

        ``state`` says of each value whether it is beyond, back or neither; a value holds for
        ``allowed_ns`` at most.
        """
        if self._last is not None:
            time_ns = np.concatenate([[self._last[0]], time_ns])
            state = np.concatenate([np.array([self._last[1]], np.int8), state])
        if not len(time_ns):
            self._until_ns = until_ns
            return []
        allowed = int(min(allowed_ns, 2**62))
        after = np.append(time_ns[1:], max(until_ns, int(time_ns[-1])))
        end = np.minimum(after, time_ns + allowed)
        goes_on = end[:-1] == time_ns[1:]
        found = [self._spells(kind, time_ns, state, end, goes_on) for kind in (BEYOND, BACK)]
        at = np.concatenate([f[0] for f in found])
        since = np.concatenate([f[1] for f in found])
        kind = np.repeat([BEYOND, BACK], [len(f[0]) for f in found])
        order = np.argsort(at, kind="stable")
        at, since, kind = at[order], since[order], kind[order]
        before = np.concatenate([[BEYOND if self.raised else BACK], kind[:-1]])
        turns = np.flatnonzero(kind != before)
        if len(kind):
            self.raised = bool(kind[-1] == BEYOND)
        self._last = int(time_ns[-1]), int(state[-1])
        self._until_ns = until_ns
        return [Change(int(at[i]), bool(kind[i] == BEYOND), int(since[i])) for i in turns]

    def _spells(
        self, kind: int, time_ns: I64, state: I8, end: I64, goes_on: npt.NDArray[np.bool_]
    ) -> tuple[I64, I64]:
        """When spells of one kind had lasted long enough, and when they began."""
        mine = state == kind
        kept = mine[1:] & mine[:-1] & goes_on
        first = np.flatnonzero(mine & ~np.concatenate([[False], kept]))
        last = np.flatnonzero(mine & ~np.concatenate([kept, [False]]))
        begin = time_ns[first]
        carried = self._since[kind]
        if self._last is not None and len(first) and first[0] == 0 and carried is not None:
            begin = begin.copy()
            begin[0] = carried
        due = begin + self._due[kind]
        ripe = end[last] >= due
        if self._until_ns is not None:
            ripe &= due > self._until_ns
        self._since[kind] = int(begin[-1]) if len(begin) and mine[-1] else None
        return due[ripe], begin[ripe]
