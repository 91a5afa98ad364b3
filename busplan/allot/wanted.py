"""The whole answer for what is wanted: how close bus errors may come at best, and what more costs.

The rules of this file: each question is asked of the whole search (:mod:`busplan.allot.whole`), and
what it learns for bus errors far apart holds for closer ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from busplan.allot.identifiers import networks_wrong
from busplan.allot.search import Found
from busplan.allot.wants import IN_TIME, ONE_ERROR, Want
from busplan.allot.whole import NO_LIMITS, Limits, Proposal, Rebuild, propose
from busplan.checks.deadlines import ONE_ERROR_NS
from busplan.plan.vehicle import Vehicle
from busplan.timing.slack import FAULT_STEP_NS, least

NEAR = 0.01
"""Bus errors are brought closer until this part of their distance is left unknown."""
_FOR_CLOSEST = 0.7
"""The part of the time in which they are; the rest is for the cheapest answer."""
_FOR_ONE = 1 / 3
"""The part of what is left of that for one distance."""
_LEAST_S = 0.5
"""Nothing is begun in less."""
FOR_MORE = 1 / 3
"""What one bus error would take is searched for a third of the time."""


@dataclass(frozen=True, slots=True)
class Robust:
    """How close bus errors may come on all networks at once [ns].

    ``borne``: the least distance for which an answer was found, 0 when not even a single error is
    borne. ``never``: no answer bears errors so close, proven; 0 when that is not known of any.
    """

    borne: int
    never: int = 0

    @property
    def known(self) -> bool:
        """Whether no answer bears errors much closer."""
        return self.borne - self.never <= max(FAULT_STEP_NS, NEAR * self.borne)


@dataclass(frozen=True, slots=True, repr=False)
class Wanted:
    """What was found. ``robust``: how close bus errors may come, for ``most-robust``; ``more``: the
    proposal when one bus error shall be borne as well (it may be the same one); ``open``: that was
    asked, and time was over before it was known."""

    proposal: Proposal
    want: Want
    robust: Robust | None = None
    more: Proposal | None = None
    open: bool = False


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of a plan, as for :func:`busplan.allot.whole.propose`."""

    vehicle: Vehicle
    rebuild: Rebuild
    want: Want = IN_TIME
    fault_interval_ns: int | None = None
    refused: tuple[str, ...] = ()
    identifiers: bool = True

    def propose(
        self,
        want: Want,
        limits: Limits,
        *,
        others: bool = False,
        first: bool = False,
        known: Found | None = None,
    ) -> Proposal:
        """The search for this; ``known``: what was found for something less."""
        return propose(
            self.vehicle,
            self.rebuild,
            want=want,
            fault_interval_ns=self.fault_interval_ns,
            refused=self.refused,
            identifiers=self.identifiers,
            others=others,
            first=first,
            known=known,
            limits=limits,
        )

    def bears(self, vehicle: Vehicle, want: Want) -> bool:
        """Whether a changed plan bears this as it is."""
        return not networks_wrong(vehicle, want, self.fault_interval_ns)


def find(asked: Question, limits: Limits = NO_LIMITS, *, more: bool = True) -> Wanted:
    """The cheapest changes for what is wanted, proven as far as time allows.

    ``more``: say too what one bus error would take, where nothing else than being in time is asked.
    """
    if asked.want.kind == "most-robust" and asked.vehicle.streams:
        return _most_robust(asked, limits)
    found = Wanted(asked.propose(asked.want, limits, others=True), asked.want)
    if not more or not asks_more(asked, found, limits):
        return found
    return with_one_error(asked, found, replace(limits, seconds=limits.seconds * FOR_MORE))


def asks_more(asked: Question, found: Wanted, limits: Limits) -> bool:
    """Whether what one bus error would take beside is to be said of an answer."""
    faults = asked.fault_interval_ns or any(
        n.fault_interval_ns for n in asked.vehicle.networks.values()
    )
    asks = asked.want == IN_TIME and bool(asked.vehicle.streams)
    return found.proposal.best is not None and asks and not faults and not limits.stop()


def with_one_error(asked: Question, found: Wanted, limits: Limits) -> Wanted:
    """The same with the proposal when one bus error shall be borne as well."""
    proposal = found.proposal
    if proposal.best is not None and asked.bears(proposal.best.vehicle, ONE_ERROR):
        return replace(found, more=proposal)
    return replace(found, more=asked.propose(ONE_ERROR, limits, known=_learnt(proposal)))


def _learnt(found: Proposal) -> Found | None:
    """What is proven for something less holds for more; its answer need not."""
    if found.found is None:
        return None
    cuts = tuple(cut for cut in found.found.cuts if cut.sound)
    return replace(found.found, placement=None, cuts=cuts)


def _most_robust(asked: Question, limits: Limits) -> Wanted:
    """Bus errors as close as any answer bears, and the cheapest answer that bears them."""
    left = _counting(limits)
    best = asked.propose(_each(ONE_ERROR_NS), left(_FOR_CLOSEST), first=True)
    if best.best is None:
        return _not_one(asked, left, best)
    borne, never, tried = _borne(asked, best, ONE_ERROR_NS), 0, 0
    while borne - tried > max(FAULT_STEP_NS, NEAR * borne):
        time = left(_FOR_CLOSEST)
        if time.stop() or time.seconds < _LEAST_S:
            break
        time = replace(time, seconds=time.seconds * _FOR_ONE)
        middle = (borne + tried) // 2 // FAULT_STEP_NS * FAULT_STEP_NS
        found = asked.propose(_each(middle), time, first=True, known=_learnt(best))
        if found.best is not None:
            best, borne = found, _borne(asked, found, middle)
        else:  # what is not found in its time is left open, and something easier tried
            tried = middle
            if found.found is not None and found.found.impossible:
                never = middle
    want = _each(borne)
    proposal = asked.propose(want, left(1.0), others=True, known=best.found)
    return Wanted(proposal, want, Robust(borne, never))


def _each(distance: int) -> Want:
    return Want("most-robust", every_ns=distance)


def _borne(asked: Question, found: Proposal, known: int) -> int:
    """How close bus errors may come in the plan of an answer [ns] that bears them so far apart."""
    assert found.best is not None
    after = found.best.vehicle

    def bears(steps: int) -> bool:
        return asked.bears(after, _each(steps * FAULT_STEP_NS))

    steps = least(bears, 1, known // FAULT_STEP_NS)
    return known if steps is None else steps * FAULT_STEP_NS


def _not_one(asked: Question, left: Callable[[float], Limits], tried: Proposal) -> Wanted:
    """The answer where no single bus error is borne, or none was found that bears one."""
    if tried.found is not None and tried.found.impossible:
        proposal = asked.propose(IN_TIME, left(1.0), others=True)
        return Wanted(proposal, asked.want, Robust(0, ONE_ERROR_NS))
    return Wanted(tried, asked.want)


def _counting(limits: Limits) -> Callable[[float], Limits]:
    """Limits for what is left of a part of the time."""
    clock = limits.clock
    if clock is None:
        return lambda part: limits
    begun = clock()
    return lambda part: replace(limits, seconds=begun + limits.seconds * part - clock())
