"""What forbids an answer, network by network."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass, field

from busplan.allot.delays import delays, resting_on_little
from busplan.allot.demands import demands
from busplan.allot.fewest import Enough
from busplan.allot.guests import Guests
from busplan.allot.judge import Delays, cuts, members
from busplan.allot.learnt import Cut, Demand
from busplan.allot.problem import Placement, Question
from busplan.allot.queues import queue_cut, queue_demand


@dataclass
class Judging:
    """Answers to one question. ``enough``: whether to look for one reason only."""

    question: Question
    enough: Enough
    _rounds: int = 0
    _guests: dict[tuple[int, int], Guests] = field(default_factory=dict)
    _right: set[Hashable] = field(default_factory=set)
    """What is on a network, with nothing that forbids it."""

    def wrong(self, answer: Placement) -> Iterator[tuple[int, Cut | Demand]]:
        """What forbids an answer, with the network; a network as it was right is not judged again.

        What is nearest to a relaxed solution will do for an answer: the reasons hold for all.
        One reason is looked for when there is enough.
        """
        told = False
        everyone = delays(self.question, answer)
        for k, rate in enumerate(answer.rates):
            if told and self.enough():
                return
            there = members(self.question, answer, k)
            theirs = {m.unit for m in there}
            moved = frozenset(which for which in answer.moved if which[0] in theirs)
            brought = frozenset((key, d.ns) for key, d in everyone.items() if key[2] == k)
            as_it_is = (k, rate, there, moved, brought)
            if not rate or as_it_is in self._right:
                continue
            found = list(self._on(answer, k))
            if not found and brought:
                found = list(self._by_delays(answer, k))
            told = told or bool(found)
            if not found:
                self._right.add(as_it_is)
            yield from ((k, one) for one in found)

    def _on(
        self, answer: Placement, k: int, known: Delays | None = None, *, alone: bool = False
    ) -> Iterator[Cut | Demand]:
        """What forbids an answer on a network; ``known``: how late gateways bring messages;
        ``alone``: whoever else may come there is left out."""
        question = self.question
        self._rounds += 1
        wanted = False
        for demand in demands(question, answer, k, known, None if alone else self.guests):
            wanted = True
            yield demand
        found = False
        for cut in cuts(question, answer, k, self._rounds, lambda: wanted or self.enough(), known):
            found = True
            yield cut
        if not found and (queued := queue_cut(question, answer, k, known)):
            found = True
            yield queued
        if not found and not wanted and (more := queue_demand(question, answer, k, known)):
            yield more

    def _by_delays(self, answer: Placement, k: int) -> Iterator[Cut | Demand]:
        """The same for what gateways bring late from other networks."""

        def wrong(known: Delays) -> bool:
            return next(self._on(answer, k, known, alone=True), None) is not None

        for n, known in enumerate(resting_on_little(self.question, answer, k, wrong)):
            yield from self._on(answer, k, known, alone=n > 0)

    def guests(self, network: int, rate: int) -> Guests:
        """Who may come to a network, found once."""
        if (network, rate) not in self._guests:
            self._guests[network, rate] = Guests.of(self.question, network, rate)
        return self._guests[network, rate]
