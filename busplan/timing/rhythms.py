"""Messages that one clock of a node sends at stated offsets: what they can queue in a window.

The rules of this file:

* A rhythm is what one node sends on one network at offsets that the plan states. Its messages keep
  their distances for ever; nodes are never assumed to keep any among each other.
* Only what queues by priority gains by it: where a first-in-first-out queue waits, or a message in
  several frames, all count as queued at once.
* All repeats after the least common multiple of the periods. Messages whose periods have none that
  is short make rhythms of their own, which forgets what could be known, and promises nothing more.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import lcm

from busplan.timing.queue_model import QueueModel

MOST_RELEASES = 4_000
"""Frames within which a rhythm must repeat; one from 1 ms to 1 s repeats within some 2,000."""


@dataclass(frozen=True, slots=True)
class Rhythms:
    """The rhythms of a network as columns, as
    :func:`busplan.timing.fixed_point.priority_responses` takes them."""

    joined: list[bool]
    first: list[int] = field(default_factory=lambda: [0])
    span: list[int] = field(default_factory=list)
    release: list[int] = field(default_factory=list)
    sender: list[int] = field(default_factory=list)
    late: list[int] = field(default_factory=list)
    whose: list[int] = field(default_factory=list)
    lead: list[int] = field(default_factory=list)

    @property
    def columns(self) -> tuple[list[int], ...]:
        """All but ``joined``, in the order of the call."""
        return (
            *(self.first, self.span, self.release, self.sender, self.late, self.whose),
            self.lead,
        )


def rhythms_of(model: QueueModel) -> Rhythms:
    """The rhythms of a network; those of one message only are none."""
    found = Rhythms([False] * len(model.frame))
    if not any(number >= 0 for number in model.rhythm):
        return found
    for number in sorted(set(model.rhythm) - {-1}):
        members = [k for k, other in enumerate(model.rhythm) if other == number]
        for some in _short_ones(members, model.period):
            if len(some) > 1:
                _add(found, some, model)
    return found


def _short_ones(members: Sequence[int], period: Sequence[int]) -> Iterable[list[int]]:
    """Members in sets that repeat soon, short periods together."""
    sets: list[list[int]] = []
    for k in sorted(members, key=lambda k: period[k]):
        for some in sets:
            span = lcm(*(period[m] for m in some), period[k])
            if sum(span // period[m] for m in (*some, k)) <= MOST_RELEASES:
                some.append(k)
                break
        else:
            sets.append([k])
    return sets


def _add(found: Rhythms, members: Sequence[int], model: QueueModel) -> None:
    span = lcm(*(model.period[k] for k in members))
    releases, lates = [], []
    for k in members:
        period, jitter = model.period[k], model.jitter[k]
        offset = model.offset[k] % period
        found.joined[k] = True
        for r in range(offset, span, period):
            releases.append((r, k, (jitter + offset) // period if r == offset else 0))
            lates.append(((r + jitter) % span, k))
    for r, k, before in sorted(releases):
        found.release.append(r)
        found.sender.append(k)
        found.lead.append(before)
    for r, k in sorted(lates):
        found.late.append(r)
        found.whose.append(k)
    found.span.append(span)
    found.first.append(len(found.release))


def frames_in(
    model: QueueModel, rhythms: Rhythms, last: int, but: int, window: int
) -> dict[int, int]:
    """How many frames of each member that goes before ``last`` a worst window of this length
    holds: those that make :func:`busplan.timing.fixed_point.rhythm_work` its most."""
    found: dict[int, int] = {}
    for g, begin in enumerate(rhythms.first[:-1]):
        end = rhythms.first[g + 1]
        members = sorted({k for k in rhythms.sender[begin:end] if k < last and k != but})
        counts: dict[int, int] = {}
        for late, whose in zip(rhythms.late[begin:end], rhythms.whose[begin:end], strict=True):
            if whose in members:
                tried = {k: _count(model, k, late, window) for k in members}
                if _work(model, tried) > _work(model, counts):
                    counts = tried
        found |= counts
    return found


def _count(model: QueueModel, k: int, begin: int, window: int) -> int:
    """Releases of a member that can be queued in a window from ``begin`` on."""
    period, offset = model.period[k], model.offset[k] % model.period[k]
    before = -((offset - begin - window) // period)
    return before + (offset - begin + model.jitter[k]) // period


def _work(model: QueueModel, counts: Mapping[int, int]) -> int:
    return sum(count * model.frame[k] for k, count in counts.items())
