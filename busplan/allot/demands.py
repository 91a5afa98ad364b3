"""What must change on a network so that those who keep their identifiers are in time.

The rules of this file: as in :mod:`busplan.allot.fewest`, whose inequalities these are; but here a
message that leaves the network helps as much as one that gets another identifier, so that moving
nodes and changing identifiers are weighed against each other. What blocks from below may leave as
well: one that does is named, unless it cannot leave.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from busplan.allot.fewest import WHOLE, leaving, relief
from busplan.allot.guests import Guests, Weights, counted, crowded, weighed
from busplan.allot.judge import Delays, Entry, beside_of, entries_of, members, order_of
from busplan.allot.learnt import Demand, Who
from busplan.allot.order import Failure, NetworkOrder
from busplan.allot.problem import Placement, Question

_NEAR = 30
"""So many messages more that make one late are foreseen: those of two nodes, roughly."""


def demands(
    question: Question,
    answer: Placement,
    network: int,
    delays: Delays | None = None,
    guests: Callable[[int, int], Guests] | None = None,
) -> Iterator[Demand]:
    """Inequalities that an answer breaks on a network; none when its changes suffice there.

    ``delays``: how late gateways bring messages in this answer; not at all by default. ``guests``:
    by network and bit rate who else may come, for inequalities that count them too.
    """
    there = members(question, answer, network, delays)
    entries = entries_of(question, there, network, loose=False)
    if entries:
        yield from _Network(question, answer, network, entries, delays, guests).demands()


def foreseen(
    question: Question, answer: Placement, network: int, guests: Callable[[int, int], Guests]
) -> Iterator[Demand]:
    """Inequalities that answers near this one may break: where few more messages make one late."""
    entries = entries_of(question, members(question, answer, network), network, loose=False)
    if entries and answer.rates[network]:
        yield from _Network(question, answer, network, entries, None, guests).foreseen()


class _Network:
    def __init__(
        self,
        question: Question,
        answer: Placement,
        network: int,
        entries: list[Entry],
        delays: Delays | None,
        guests: Callable[[int, int], Guests] | None = None,
    ) -> None:
        self.guests = guests
        self.question = question
        self.delays = delays
        self.number = network
        self.rate = answer.rates[network]
        self.entries = entries
        self.order = order_of(question, network, self.rate, entries)
        self.changed = [
            e.who is not None and e.free and (not e.movable or (e.who[0], e.who[2]) in answer.moved)
            for e in entries
        ]

    def demands(self) -> Iterator[Demand]:
        late = False
        for f, entry in enumerate(self.entries):
            if self.order.judged[f] and not self.changed[f] and entry.who is not None:
                for demand in self._of_late(f):
                    late = True
                    yield demand
        if not late:
            yield from self._of_order()

    def _of_late(self, f: int) -> Iterator[Demand]:
        """What a message asks for that keeps its identifier; nothing when it is in time."""
        upto = self.order.model.upto[f]
        before = np.arange(self.order.n) < upto
        before[f] = False
        if self.order.in_time(f, before & ~np.array(self.changed, np.bool_)):
            return
        above = [k for k in range(upto) if k != f and self._named(k)]
        blocker = self._blocker(range(upto, self.order.n))
        part = self._part([*above, f, *blocker])
        stays = np.array([not self.changed[k] for k in above] + [False] * (1 + len(blocker)))
        own = len(above)
        if part.in_time(own, stays):
            return
        everyone = np.arange(part.n) < own
        if not part.in_time(own, np.zeros(part.n, np.bool_)):
            others = [k for k in range(self.order.n) if k != f]
            yield self._demand({f: 1}, self._blocker(others), 1)
            return
        least = leaving(part, own, everyone)
        gone = sum(self.changed[k] for k in above)
        if gone < least:
            yield self._demand({**dict.fromkeys(above, 1), f: least}, blocker, least)
        yield from self._with_guests(f, above, blocker, part, least)
        left = stays.copy()
        parts = relief(part, own, everyone)
        if parts is not None:
            yield self._demand({**dict(zip(above, parts, strict=True)), f: WHOLE}, blocker, WHOLE)
            if sum(p for p, k in zip(parts, above, strict=True) if self.changed[k]) < WHOLE:
                return
        for k in np.flatnonzero(stays):
            left[k] = False
            if part.in_time(own, left):
                left[k] = True
        named = {above[k]: 1 for k in np.flatnonzero(left)}
        # Those that left the urgent ones may hold it up from below.
        below = [k for k in above if k not in named] + blocker
        yield self._demand({**named, f: 1}, self._blocker(below), 1)

    def _with_guests(
        self, f: int, above: list[int], blocker: list[int], part: NetworkOrder, least: int
    ) -> Iterator[Demand]:
        """The same whoever else may come to the network."""
        if self.guests is None:
            return
        own = len(above)
        everyone = np.arange(part.n) < own
        guests = self.guests(self.number, self.rate)
        known = {e.who for e in self.entries if e.who is not None}
        some = guests.before(self.entries[f], known)
        if not some:
            return
        weights = counted(part, own, everyone, guests, some, least)
        if weights:
            most = least + guests.most(weights)
            yield self._demand({**dict.fromkeys(above, 1), f: most}, blocker, least, weights, most)
        if len(weights) == len(some):
            return
        found = weighed(part, own, everyone, guests, some)
        if found is not None and found[1]:
            parts, weights = found
            most = WHOLE + guests.most(weights)
            yield self._demand(
                {**dict(zip(above, parts, strict=True)), f: most}, blocker, WHOLE, weights, most
            )

    def foreseen(self) -> Iterator[Demand]:
        for f, entry in enumerate(self.entries):
            if not self.order.judged[f] or self.changed[f] or entry.who is None:
                continue
            upto = self.order.model.upto[f]
            above = [k for k in range(upto) if k != f and self._named(k)]
            if self.guests is None or self._spare(f, above) > _NEAR * max(self.order.model.frame):
                continue
            blocker = self._blocker(range(upto, self.order.n))
            guests = self.guests(self.number, self.rate)
            some = guests.before(entry, {e.who for e in self.entries if e.who is not None})
            part, own = self._part([*above, f, *blocker]), len(above)
            everyone = np.arange(part.n) < own
            least = crowded(part, own, everyone, guests, some) if some else None
            if least is None:
                continue
            weights = guests.weights(some)
            most = least + guests.most(weights)
            if most > 0:
                kept = {**dict.fromkeys(above, 1), f: most}
                yield self._demand(kept, blocker, least, weights, most)

    def _spare(self, f: int, above: Sequence[int]) -> int:
        """Roughly how much more [ns] may go before a message until it is late."""
        model = self.order.model
        last = model.deadline[f] - model.jitter[f] + max(model.inherited[f], 0) - model.frame[f]
        work = (
            -(-(last + model.jitter[k] + model.bit) // model.period[k]) * model.frame[k]
            for k in above
        )
        return last - max(model.single) - sum(work)

    def _of_order(self) -> Iterator[Demand]:
        """What the search from below asks for where it is stuck."""
        found = self.order.find(np.array(self.changed, np.bool_))
        if not isinstance(found, Failure) or found.full:
            return
        left = found.left
        blocker = self._blocker([k for k in range(self.order.n) if k not in left])
        part = self._part([*left, *blocker])
        inside = np.array([True] * len(left) + [False] * len(blocker))
        patient = [k for n, k in enumerate(left) if self._last(part, n, inside)]
        kept = dict.fromkeys((*patient, *((found.next_kept,) if found.next_kept >= 0 else ())), 1)
        yield self._demand(kept, [*blocker, *(k for k in left if k not in kept)], 1)

    def _last(self, part: NetworkOrder, n: int, inside: np.typing.NDArray[np.bool_]) -> bool:
        above = inside.copy()
        above[n] = False
        return part.in_time(n, above)

    def _named(self, k: int) -> bool:
        """Whether an entry stands where it does by its own identifier."""
        return not self.changed[k] or self.entries[k].movable

    def _blocker(self, below: Sequence[int]) -> list[int]:
        """The longest of those below; one that cannot leave, when there is one."""
        single = self.order.model.single
        longest = max((single[k] for k in below), default=0)
        some = [k for k in below if single[k] == longest]
        return [next((k for k in some if self._bound(k)), some[0])] if some else []

    def _bound(self, k: int) -> bool:
        """Whether an entry is on the network whatever the answer."""
        who = self.entries[k].who
        if who is None:
            return True
        return not who[3] and self.question.units[who[0]].networks == (self.number,)

    def _part(self, rows: Sequence[int]) -> NetworkOrder:
        """Some entries alone: those above, the one meant, those below."""
        entries = [self.entries[k] for k in rows]
        return order_of(self.question, self.number, self.rate, entries)

    def _demand(
        self,
        kept: dict[int, int],
        there: Sequence[int],
        least: int,
        guests: Weights | None = None,
        most: int = 0,
    ) -> Demand:
        weights: dict[Who, int] = {}
        named = [self.entries[k] for k in (*kept, *there)]
        brought = [(e.who[0], e.who[2], e.late_ns) for e in named if e.who and e.who[3]]
        for k, weight in kept.items():
            who = self.entries[k].who
            if who is not None:
                weights[who] = weights.get(who, 0) + weight
        present = {
            who: max(least, most)
            for k in there
            if (who := self.entries[k].who) is not None and not self._bound(k)
        }
        return Demand(
            self.number,
            self.rate,
            tuple(sorted(weights.items())),
            tuple(sorted(present.items())),
            least,
            beside=beside_of(brought, self.number, self.delays),
            guests=tuple(sorted((guests or {}).items())),
            most=max(least, most),
        )
