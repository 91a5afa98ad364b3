"""Response times the slow, plain way, in exact fractions: independent of ``busplan.timing``.

Written from Davis, Burns, Bril, Lukkien, Real-Time Systems 35:239–272, 2007 (equations from
memory); all messages queue by priority, lists are most urgent first.
"""

from collections.abc import Callable, Sequence
from fractions import Fraction
from math import ceil


def settle(start: Fraction, step: Callable[[Fraction], Fraction]) -> Fraction:
    value = start
    while (grown := step(value)) != value:
        value = grown
    return value


def instances_of(
    m: int,
    frame: Sequence[Fraction],
    period: Sequence[Fraction],
    jitter: Sequence[Fraction],
    bit: Fraction,
    fault_every: Fraction | None = None,
    fault_cost: Fraction = Fraction(0),
) -> list[Fraction] | None:
    """Response time of every instance of message ``m`` in its busy period; ``None``: no end."""
    block = max(frame[m + 1 :], default=Fraction(0))
    hit = fault_cost + max(frame[: m + 1])

    def errors(t: Fraction) -> Fraction:
        return ceil(t / fault_every) * hit if fault_every else Fraction(0)

    load = sum((c / t for c, t in zip(frame[: m + 1], period, strict=False)), Fraction(0))
    if fault_every:
        load += hit / fault_every
    if load >= 1:
        return None

    def demand(t: Fraction) -> Fraction:
        frames = (ceil((t + jitter[k]) / period[k]) * frame[k] for k in range(m + 1))
        return block + errors(t) + sum(frames)

    busy = settle(frame[m], demand)
    found = []
    for q in range(ceil((busy + jitter[m]) / period[m])):

        def wait(w: Fraction, q: int = q) -> Fraction:
            more = (ceil((w + jitter[k] + bit) / period[k]) * frame[k] for k in range(m))
            return block + q * frame[m] + errors(w + frame[m]) + sum(more)

        w = settle(block + q * frame[m], wait)
        found.append(jitter[m] + w - q * period[m] + frame[m])
    return found


def lone(
    place: int,
    own: Sequence[bool],
    frames: Sequence[tuple[Fraction, int]],
    period: Sequence[Fraction],
    jitter: Sequence[Fraction],
    bit: Fraction,
) -> Fraction | None:
    """Response time of a frame whose session sends one at a time, the next after the one before.

    ``frames``: length of one frame and how many come at once. The frame before, still on the wire,
    blocks like a less urgent one, as the analysis of non-preemptive tasks lets it (push-through
    blocking, Davis et al. 2007, section 3.3; from memory).
    """
    blockers = [c for k, (c, _) in enumerate(frames) if k > place or own[k]]
    rivals = [k for k in range(place) if not own[k]]
    if sum((frames[k][0] * frames[k][1] / period[k] for k in rivals), Fraction(0)) >= 1:
        return None

    def wait(w: Fraction) -> Fraction:
        return max(blockers) + sum(
            ceil((w + jitter[k] + bit) / period[k]) * frames[k][0] * frames[k][1] for k in rivals
        )

    return settle(max(blockers), wait) + frames[place][0]
