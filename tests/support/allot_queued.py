"""Small questions of queues first in, first out beside messages that may get other identifiers.

Every placement, every set of changed identifiers and every order of them is tried, with response
times of the project's analysis of queues.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from functools import cache
from itertools import combinations, permutations, product

from busplan.allot.problem import Frames, Name, Net, Placement, Question, Sent, Unit
from busplan.plan.movable import Costs
from busplan.timing.queue_model import QueueModel, Status
from busplan.timing.solving import solve

MS = 1_000_000
BITS = 130
RATES = (125_000, 250_000)
COSTS = Costs(move=1.0, identifier=0.5)

Row = tuple[int, int]
"""A unit and one of its messages."""


def made_queued(seed: int) -> Question:
    """Three units of two messages on two networks, one of them with a queue."""
    chance = random.Random(seed)
    nets = tuple(Net(f"net{k}", rate, (rate,), 0.9) for k, rate in enumerate(RATES))
    numbers = chance.sample(range(0x10, 0x700), 6)
    units = []
    for n in range(3):
        fifo = n == 0 or chance.random() < 0.2
        sent = []
        for m in range(2):
            period = chance.choice((5, 8, 10, 20))
            due = min(period, chance.choice((3, 4, 5, 8)))
            name = Name(False, numbers.pop())
            frames = Frames(name, BITS, period * MS, due * MS)
            movable = not fifo and chance.random() < 0.7
            sent.append(Sent(f"n{n}/m{m}", name, BITS * 1000 / period, (frames,), movable=movable))
        home = chance.choice((0, 0, 1))
        may = (0, 1) if chance.random() < 0.7 else (home,)
        units.append(Unit(f"n{n}", "", home, may, frozenset(RATES), tuple(sent), fifo=fifo))
    return Question(nets, tuple(units), costs=COSTS)


def cheapest_queued(question: Question) -> float | None:
    """The least cost of all answers; ``None`` when none works."""
    prices = []
    for where in product(*(u.networks for u in question.units)):
        moved = sum(u.home != k for u, k in zip(question.units, where, strict=True))
        changed = [fewest_on(question, where, k) for k in range(len(RATES))]
        if _loads_fit(question, where) and None not in changed:
            number = sum(n for n in changed if n is not None)
            prices.append(COSTS.move * moved + COSTS.identifier * number)
    return min(prices, default=None)


def _loads_fit(question: Question, where: Sequence[int]) -> bool:
    return all(
        sum(
            s.bits_per_s
            for u, at in zip(question.units, where, strict=True)
            if at == k
            for s in u.sent
        )
        <= net.limit * net.rate
        for k, net in enumerate(question.nets)
    )


def changes_of(question: Question, answer: Placement) -> dict[int, int | None]:
    """How many identifiers must change on each network; ``None`` where no changes suffice."""
    return {k: fewest_on(question, answer.where, k) for k in range(len(RATES))}


def fewest_on(question: Question, where: Sequence[int], k: int) -> int | None:
    """The fewest changes on a network, those that keep their identifiers in their order."""
    rows = sorted(
        ((i, m) for i, at in enumerate(where) if at == k for m in range(2)),
        key=lambda row: question.units[row[0]].sent[row[1]].name,
    )
    movable = [(i, m) for i, m in rows if question.units[i].sent[m].movable]
    fine = cache(lambda order: _in_time(question, order, RATES[k]))
    for size in range(len(movable) + 1):
        for changed in combinations(movable, size):
            if any(fine(order) for order in _orders(rows, changed)):
                return size
    return None


def _orders(rows: Sequence[Row], changed: Sequence[Row]) -> Iterator[tuple[Row, ...]]:
    kept = [row for row in rows if row not in changed]
    for places in combinations(range(len(rows)), len(changed)):
        for some in permutations(changed):
            free, held = iter(some), iter(kept)
            yield tuple(next(free) if p in places else next(held) for p in range(len(rows)))


def _in_time(question: Question, order: Sequence[Row], rate: int) -> bool:
    n = len(order)
    frames = [question.units[i].sent[m].frames[0] for i, m in order]
    wire = [-(-f.bits * 10**9 // rate) for f in frames]
    model = QueueModel(
        streams=(),
        status=(Status.PROVEN,) * n,
        part=(False,) * n,
        upto=list(range(1, n + 1)),
        single=wire,
        frame=wire,
        period=[f.period for f in frames],
        jitter=[0] * n,
        inherited=[0] * n,
        deadline=[f.deadline for f in frames],
        queue=[i if question.units[i].fifo else -1 for i, _ in order],
        spaced=(False,) * n,
        rhythm=[-1] * n,
        offset=[0] * n,
        sessions=(),
        load=0.0,
        bit=10**9 // rate,
        fault_cost=0,
    )
    response = solve(model).response
    return all(0 <= r <= f.deadline for r, f in zip(response, frames, strict=True))
