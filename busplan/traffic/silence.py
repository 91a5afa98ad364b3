"""How long a message may be without a frame before it counts as silent and its values as old.

The one rule for screens, pack and bench. A message may be silent for :data:`SILENT_CYCLES` of its
periods. Its period is the cycle somebody states; where it comes more slowly than that throughout,
the cycle is wrong rather than the message silent, and its own rhythm counts. Where nobody states a
cycle nothing is promised: its own rhythm counts, and at least :data:`UNPROMISED_NS`.

Common practice, no source: a receiver gives a message up after two or three of its cycles.
"""

from __future__ import annotations

import numpy as np

from busplan.definitions.model import Stated
from busplan.frames.columns import I64

SILENT_CYCLES = 2.5
"""A lost frame makes a distance of two cycles, two make three; jitter decides neither."""
UNPROMISED_NS = 1_000_000_000
"""Without a stated cycle no shorter silence counts."""
RHYTHM_GAPS = 255
"""The rhythm is the median of at most so many distances, spread evenly over all."""
SURE_GAPS = 16
"""From so many distances on the measured rhythm can say that the stated cycle is wrong."""


def rhythm_positions(frames: int) -> I64:
    """Which of ``frames`` the rhythm is taken at: each against the one before it."""
    gaps = min(max(frames - 1, 0), RHYTHM_GAPS)
    return 1 + np.arange(gaps, dtype=np.int64) * (frames - 1) // max(gaps, 1)


def rhythm_ns(gaps_ns: I64) -> float:
    """The median of some distances [ns]; NaN without one."""
    count = len(gaps_ns)
    if not count:
        return float("nan")
    ordered = np.sort(gaps_ns)  # a quarter of the time of np.median, for every message of a vehicle
    return (int(ordered[(count - 1) // 2]) + int(ordered[count // 2])) / 2


def allowed_ns(stated: Stated | None, gaps_ns: I64) -> float:
    """The allowed age [ns] of a message whose cycle is ``stated``, by distances of its frames.

    ``gaps_ns`` are those at :func:`rhythm_positions`. Infinite when there is neither.
    """
    rhythm = rhythm_ns(gaps_ns)
    if stated is None:
        own = SILENT_CYCLES * rhythm
        return float("inf") if np.isnan(own) else max(own, UNPROMISED_NS)
    period = max(rhythm, stated.ns) if len(gaps_ns) >= SURE_GAPS else stated.ns
    return SILENT_CYCLES * period


def allowed_of(stated: Stated | None, time_ns: I64) -> float:
    """The allowed age [ns] of a message with frames at ``time_ns`` (n,), in time order."""
    at = rhythm_positions(len(time_ns))
    return allowed_ns(stated, time_ns[at] - time_ns[at - 1])


def allowed_of_part(message_ns: float, time_ns: I64) -> float:
    """The allowed age [ns] of a value that only some frames carry, such as a multiplexed one.

    ``message_ns`` is the allowed age of its message, ``time_ns`` (n,) are the times it came.
    """
    own = allowed_of(None, time_ns)
    return message_ns if np.isinf(own) else max(message_ns, own)
