"""What may come to a network beside what is there, so that an inequality holds for it too.

The rules of this file: only what goes before a message whatever else is placed counts against it:
under its own identifier, no later than it is sent. Whoever is there without having been thought of
only makes the message later.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from busplan.allot.fewest import WHOLE, Others, windows
from busplan.allot.judge import Entry, Member, entries_of, model_of, rank
from busplan.allot.learnt import Who
from busplan.allot.order import NetworkOrder
from busplan.allot.problem import Question
from busplan.frames.columns import Mask

Weights = dict[Who, int]


@dataclass(frozen=True, slots=True)
class Guests:
    """All that may be on a network under its own identifier at a bit rate, in order of arbitration.

    ``frame``, ``period`` and ``lead`` [ns]: time on the wire, distance, and how much earlier than
    that the next may come.
    """

    whose: tuple[Who, ...]
    ranks: tuple[int, ...]
    others: Others

    @classmethod
    def of(cls, question: Question, network: int, rate: int) -> Guests:
        """Those of one network."""
        there = [
            Member(i, j)
            for i, unit in enumerate(question.units)
            if network in unit.networks and rate in unit.rates
            for j, option in enumerate(unit.options)
            if not option.other
        ]
        brought = {message for want in question.wanted for message in want.bring}
        brought |= {(u, m) for _, u, m, k in question.stays if k == network}
        there += [
            Member(u, j, m)
            for u, m in sorted(brought)
            for j, option in enumerate(question.units[u].options)
            if not option.other
        ]
        entries = [
            e
            for e in entries_of(question, there, network, loose=False)
            if e.who is not None and (not e.free or e.movable)
        ]
        model = model_of(question, network, rate, entries, queues=False)
        others = Others(
            np.array(model.frame, np.int64),
            np.array(model.period, np.int64),
            np.array(model.jitter, np.int64) + model.bit,
        )
        whose = tuple(e.who for e in entries if e.who is not None)
        return cls(whose, tuple(rank(e) for e in entries), others)

    def before(self, entry: Entry, known: Collection[Who]) -> list[int]:
        """Which of them go before an entry; those ``known`` and of its own unit left out."""
        own = rank(entry)
        assert entry.who is not None
        unit, _, message, brought = entry.who
        found = []
        for n, who in enumerate(self.whose[: bisect_left(self.ranks, own)]):
            if who[0] == unit and (who[2] == message or not (brought or who[3])):
                continue  # the same node's own
            if who not in known:
                found.append(n)
        return found

    def weights(self, some: Sequence[int], each: Sequence[int] | None = None) -> Weights:
        """What some of them weigh; 1 each by default."""
        found: Weights = {}
        for place, n in enumerate(some):
            who = self.whose[n]
            weight = 1 if each is None else each[place]
            if weight > 0:
                found[who] = found.get(who, 0) + weight
        return found

    def most(self, weights: Weights) -> int:
        """What they weigh together at most: a node has one of its options."""
        units: dict[tuple[int, int], dict[int, int]] = {}
        for (unit, option, message, brought), weight in weights.items():
            options = units.setdefault((unit, message if brought else -1), {})
            options[option] = options.get(option, 0) + weight
        return sum(max(options.values()) for options in units.values())


def counted(
    network: NetworkOrder, f: int, above: Mask, guests: Guests, some: Sequence[int], least: int
) -> Weights:
    """Those of some guests of whom each asks for one more to leave: ``least`` of ``above`` must
    where there are none.

    As many stay as the shortest that fit; a guest that is as long as the longest of these in every
    window lets no more stay.
    """
    found = windows(network, f, above, guests.others.some(some))
    if found is None:
        return {}
    demand, spare, more = found
    shortest = np.sort(demand, axis=1)
    staying = demand.shape[1] - least
    if (shortest[:, : staying + 1].sum(axis=1) <= spare).any():
        return {}  # windows alone do not prove it
    heavy = np.all(more >= shortest[:, staying : staying + 1], axis=0)
    return guests.weights([some[int(n)] for n in np.flatnonzero(heavy)])


def crowded(
    network: NetworkOrder, f: int, above: Mask, guests: Guests, some: Sequence[int]
) -> int | None:
    """How many of ``above`` must leave at least where none of some guests comes, and one more for
    each that does; less than 0 where there is room for some of them."""
    found = windows(network, f, above, guests.others.some(some))
    if found is None:
        return None
    demand, spare, more = found
    everyone = np.sort(np.hstack((demand, more)), axis=1).cumsum(axis=1)
    staying = (everyone <= spare[:, None]).sum(axis=1)
    return int(demand.shape[1] - staying.max(initial=0))


def weighed(
    network: NetworkOrder, f: int, above: Mask, guests: Guests, some: Sequence[int]
) -> tuple[list[int], Weights] | None:
    """How much each of ``above`` that leaves brings ``f`` nearer to being in time, at most, and how
    much each guest takes it away, at least; it is late below :data:`WHOLE` of both together."""
    found = windows(network, f, above, guests.others.some(some))
    if found is None:
        return None
    demand, spare, more = found
    demand, more, spare = demand[spare >= 0], more[spare >= 0], spare[spare >= 0]
    over = demand.sum(axis=1) - spare
    if not len(over) or (over <= 0).any():
        return None
    parts = (-(-WHOLE * demand // over[:, None])).max(axis=0)
    away = (WHOLE * more // over[:, None]).min(axis=0)
    return [int(part) for part in parts], guests.weights(some, away.tolist())
