"""When it was wrong: only at the start, from a moment on, for a while, or now and then.

The pattern tells more than the count: what is wrong at the start only was not set up yet, what is
wrong from a moment on has failed then. Common practice, no source.
"""

from __future__ import annotations

from busplan.decode.codec import DecodedMessage
from busplan.findings import Where
from busplan.frames.columns import I64
from busplan.wording import plain

DENSE = 0.8
"""Part of a stretch that has to be wrong to be called one stretch."""
SHORT = 0.25
"""A stretch longer than this share of the test is no start and no episode."""
FEWEST_RIGHT = 10
"""So many right frames must lie outside the stretch."""


def when_wrong(times: I64, wrong: I64) -> str:
    """A few words on where ``wrong`` (m,), places in ``times`` (n,) [ns], lie; "" for nowhere.

    Seconds in it count from the first of ``times``.
    """
    n, m = len(times), len(wrong)
    if not m or n - m < FEWEST_RIGHT:
        return ""
    first, last = int(wrong[0]), int(wrong[-1])
    begin, end = ((int(times[i]) - int(times[0])) / 1e9 for i in (first, last))
    stretch = last - first + 1
    if m < DENSE * stretch or m < 2:
        return ", now and then" if m > 2 else ""
    if first <= 1 and stretch <= SHORT * n:
        return f", all of them in the first {plain(max(end, 0.1), 2)} s after its first frame"
    if last >= n - 2 and first > 1:
        return f", all of them from {plain(begin, 3)} s after its first frame on"
    if stretch <= SHORT * n:
        return f", all of them {plain(begin, 3)} to {plain(end, 3)} s after its first frame"
    return ""


def frame_at(where: Where, decoded: DecodedMessage, index: int, signal: str | None) -> Where:
    """The place of one frame; ``where.time_ns`` holds the capture's first time."""
    time_ns = int(decoded.time_ns[index]) - (where.time_ns or 0)
    return Where(where.network, where.node, where.message, signal, time_ns=time_ns)
