"""Small questions of placement, and every answer to them tried one by one.

Nothing of the search is used here: loads, names, needs and orders of arbitration are counted anew,
with the slow analysis of :mod:`support.allot_cases`.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from itertools import combinations, permutations, product

from busplan.allot.problem import (
    Carried,
    Frames,
    Gateway,
    Name,
    Net,
    Option,
    Placement,
    Question,
    Sent,
    Unit,
    Wanted,
)
from busplan.allot.search import Verdict
from busplan.plan.movable import Costs
from support.allot_cases import Case

MS = 1_000_000
COSTS = Costs(move=1.0, identifier=0.5, reset=0.3, route=0.2, network=3.0)
BITS = 130
RENAMED, CARRIED = -1, -2
"""In place of an option: a message that a gateway brings, under another identifier, or under that
of its sender's first option, second (-3), ..."""


def made_question(seed: int, lengths: tuple[int, ...] = ()) -> Question:
    """Five units and a gateway of two ports on three networks, one of which may be a new one.

    ``lengths`` [bit] of their frames, where not all are equally long.
    """
    chance = random.Random(seed)
    added = chance.random() < 0.3
    rates = (125_000, 250_000)
    nets = [
        Net("a", 125_000, rates, 0.6),
        Net("b", 250_000, (250_000,), 0.6),
        Net("c", 0 if added else 125_000, rates if added else (125_000,), 0.5),
    ]
    gateway = [
        Unit("gate", port, home, (home,), frozenset(rates), (_sent(f"gate/{port}", 0x700 + home),))
        for port, home in (("left", 0), ("right", 1))
    ]
    units = [*gateway]
    for n in range(5):
        home = chance.choice((0, 0, 1)) if added else chance.randrange(3)
        may = tuple(sorted({home, *(k for k in range(3) if chance.random() < 0.75)}))
        spoken = frozenset(rates if chance.random() < 0.6 else (chance.choice(rates),))
        identifier = 0x40 * chance.choice((n + 1, n + 1, n, 1))
        free = chance.random() < 0.25
        sent = _sent(
            f"n{n}/m",
            identifier + n if free else identifier,
            period=chance.choice((4, 5, 8, 10)),
            deadline=chance.choice((2, 3, 4, 8)),
            movable=free,
            bits=chance.choice(lengths) if lengths else BITS,
        )
        options = [Option()]
        if not free and chance.random() < 0.35:
            options.append(Option("offset", 0x400, COSTS.identifier))
        if not free and chance.random() < 0.15:
            options.append(Option("bought", 0, 2.0))
        units.append(Unit(f"n{n}", "", home, may, spoken, (sent,), tuple(options)))
    wanted = []
    for _ in range(chance.choice((0, 1, 2))):
        r, q = chance.sample(range(2, 7), 2)
        wanted.append(Wanted((r,), ((q, 0),), chance.random() < 0.3, ((q, 0),)))
    return Question(
        tuple(nets), tuple(units), tuple(wanted), (Gateway("gate", (0, 1)),), costs=COSTS
    )


def growing(question: Question, factor: float, seed: int) -> Question:
    """The question when all is sent so many times as often; some deadlines follow from periods."""
    chance = random.Random(seed)

    def grown(sent: Sent) -> Sent:
        (f,) = sent.frames
        if chance.random() < 0.5:
            return sent
        return replace(sent, frames=(replace(f, deadline=f.period, follows=True),))

    units = tuple(replace(u, sent=tuple(map(grown, u.sent))) for u in question.units)
    return replace(question, units=units, steps=int(10_000 / factor))


def _sent(
    label: str,
    identifier: int,
    period: int = 50,
    deadline: int = 50,
    *,
    movable: bool = False,
    bits: int = BITS,
) -> Sent:
    name = Name(False, identifier)
    frames = Frames(name, bits, period * MS, deadline * MS)
    return Sent(label, name, bits * 1000 / period, (frames,), movable=movable)


def cheapest(question: Question) -> float | None:
    """The least cost of all answers, identifiers that clash changed; ``None`` when none works."""
    judged = cache(lambda there, rate: fewest(question, there, rate))
    best = None
    for answer in _answers(question):
        price = _price(question, answer)
        if best is not None and price >= best:
            continue
        for k, net in enumerate(question.nets):
            there = _there(question, answer, k)
            load = sum(question.units[i].sent[0].bits_per_s for i, _ in there)
            if load > net.limit * answer.rates[k] * (1 + 1e-12):
                break
            number = judged(there, answer.rates[k])
            if number is None:
                break
            price += COSTS.identifier * number
        else:
            best = price if best is None else min(best, price)
    return best


def possible(question: Question) -> Iterator[tuple[Placement, float]]:
    """Every answer that works, and what it costs, in no order."""
    judged = cache(lambda there, rate: fewest(question, there, rate))
    for answer in _answers(question):
        price = _price(question, answer)
        for k, net in enumerate(question.nets):
            there = _there(question, answer, k)
            load = sum(question.units[i].sent[0].bits_per_s for i, _ in there)
            number = judged(there, answer.rates[k])
            if number is None or load > net.limit * answer.rates[k] * (1 + 1e-12):
                break
            price += COSTS.identifier * number
        else:
            yield answer, price


def changes(question: Question, answer: Placement) -> dict[int, int] | None:
    """How many identifiers must change on each network; ``None`` where no changes suffice."""
    found = {}
    for k in range(len(question.nets)):
        number = fewest(question, _there(question, answer, k), answer.rates[k])
        if number is None:
            return None
        found[k] = number
    return found


def priced(question: Question) -> Callable[[Placement], Verdict]:
    """What accepts every answer that a search brings, at what its identifiers cost."""

    def accept(answer: Placement) -> Verdict:
        number = changes(question, answer)
        assert number is not None, "what the search has judged is so"
        return Verdict(sum(number.values()), number)

    return accept


def _there(question: Question, answer: Placement, k: int) -> frozenset[tuple[int, int]]:
    units = {(i, answer.option[i]) for i, at in enumerate(answer.where) if at == k}
    return frozenset(units) | {
        (c.unit, RENAMED if c in answer.renamed else CARRIED - answer.option[c.unit])
        for c in answer.carried
        if c.network == k
    }


def _answers(question: Question) -> Iterator[Placement]:
    units, nets = question.units, question.nets
    for where in product(*(u.networks for u in units)):
        rates_of = [(0, *n.rates) if n.new else n.rates for n in nets]
        for rates in product(*rates_of):
            fits = all(rates[k] in u.rates for u, k in zip(units, where, strict=True))
            idle = any(n.new and rates[k] and k not in where for k, n in enumerate(nets))
            if not fits or idle:
                continue
            for option in product(*(range(len(u.options)) for u in units)):
                carried = _carried(question, where, option)
                for renamed in _subsets(_renamable(question, where, carried or frozenset())):
                    if carried is not None:
                        yield Placement(where, option, rates, renamed, carried)


def _subsets(things: frozenset[Carried]) -> Iterator[frozenset[Carried]]:
    for size in range(len(things) + 1):
        yield from map(frozenset, combinations(sorted(things, key=repr), size))


def _renamable(
    question: Question, where: tuple[int, ...], carried: frozenset[Carried]
) -> frozenset[Carried]:
    """What nobody who is there knows by its identifier only."""
    known = {(m, where[w.units[0]]) for w in question.wanted if w.by_name for m in w.bring}
    return frozenset(c for c in carried if ((c.unit, c.message), c.network) not in known)


def _carried(
    question: Question, where: tuple[int, ...], option: tuple[int, ...]
) -> frozenset[Carried] | None:
    """What the gateway must bring, ``None`` where it cannot."""
    ends = {where[i] for i in question.gateways[0].units}
    found = set()
    for want in question.wanted:
        (r,), ((q, m),) = want.units, want.senders
        if want.by_name and option[q]:
            return None
        if where[q] != where[r]:
            if not {where[q], where[r]} <= ends:
                return None
            found.add(Carried(0, q, m, where[r]))
    return frozenset(found)


def _price(question: Question, answer: Placement) -> float:
    units = question.units
    price = sum(COSTS.move for u, k in zip(units, answer.where, strict=True) if k != u.home)
    price += sum(u.options[j].cost for u, j in zip(units, answer.option, strict=True))
    price += COSTS.route * len(answer.carried) + COSTS.identifier * len(answer.renamed)
    for k, net in enumerate(question.nets):
        if net.new:
            price += COSTS.network * (answer.rates[k] > 0)
        elif answer.rates[k] != net.rate:
            price += COSTS.reset * len({u.node for u in units if u.home == k})
    return price


def fewest(question: Question, there: frozenset[tuple[int, int]], rate: int) -> int | None:
    """The fewest identifiers that must change for all to be in time under names of their own, those
    that keep theirs in their order; ``None`` where no changes suffice."""
    rows = []
    for i, j in there:
        unit = question.units[i]
        option = unit.options[CARRIED - j if j <= CARRIED else max(j, 0)]
        sent = unit.sent[0]
        free = j == RENAMED or option.kind == "bought"
        number = sent.name.identifier + option.shift
        rows.append((number, i, sent.frames[0], free, j >= 0 and sent.movable))
    rows.sort(key=lambda row: row[:2])
    n = len(rows)
    if not n:
        return 0
    bit = 10**9 // rate
    shrunk = [
        (f.period * question.steps // 10_000, f.deadline * question.steps // 10_000)
        for _, _, f, _, _ in rows
    ]
    case = Case(
        frame=tuple(row[2].bits * bit for row in rows),
        period=tuple(period for period, _ in shrunk),
        jitter=(0,) * n,
        deadline=tuple(
            deadline if row[2].follows else row[2].deadline
            for row, (_, deadline) in zip(rows, shrunk, strict=True)
        ),
        may_change=(True,) * n,
        equal=tuple(range(n)),
        bit=bit,
    )
    fine = case.slow()
    movable = [i for i in range(n) if rows[i][4]]
    for size in range(len(movable) + 1):
        for changed in combinations(movable, size):
            kept = [i for i in range(n) if not rows[i][3] and i not in changed]
            if len({rows[i][0] for i in kept}) == len(kept) and _ordered(n, kept, fine):
                return size
    return None


def _ordered(n: int, kept: list[int], fine: Callable[[int, frozenset[int]], bool]) -> bool:
    return any(
        [i for i in order if i in kept] == kept
        and all(fine(i, frozenset(order[:place])) for place, i in enumerate(order))
        for order in permutations(range(n))
    )


def planted(nodes: int, seed: int = 1) -> tuple[Question, frozenset[str]]:
    """Many nodes with room for all, but for three alike that may sit on two networks only."""
    chance = random.Random(seed)
    nets = tuple(Net(f"net{k}", 250_000, (250_000,), 0.5) for k in range(max(3, nodes // 18)))
    units = []
    for n in range(nodes):
        home = n % len(nets)
        may = tuple(sorted({home, chance.randrange(len(nets)), chance.randrange(len(nets))}))
        sent = tuple(
            _sent(f"n{n}/m{m}", n * 6 + m, chance.choice((200, 500, 1000)), 200) for m in range(6)
        )
        units.append(Unit(f"n{n}", "", home, may, frozenset({250_000}), sent))
    alike = chance.sample(range(nodes), 3)
    for n in alike:
        units[n] = Unit(
            f"n{n}", "", 0, (0, 1), frozenset({250_000}), (_sent(f"n{n}/m0", 0x7A0, 100),)
        )
    return Question(nets, tuple(units)), frozenset(f"n{n}" for n in alike)
