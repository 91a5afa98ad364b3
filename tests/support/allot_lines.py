"""Small questions with queues first in, first out, gateways that delay, and places along a vehicle.

Every placement is tried one by one: loads, names, lengths and prices are counted anew, and response
times are those of the project's analysis, iterated over both networks. No identifier may change.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import product

from busplan.allot.problem import (
    Carried,
    Frames,
    Gateway,
    Name,
    Net,
    Placement,
    Question,
    Sent,
    Unit,
    Wanted,
)
from busplan.plan.movable import Costs
from busplan.timing.queue_model import ONE_OFF_NS, QueueModel, Status
from busplan.timing.solving import solve

MS = 1_000_000
BITS, LEAST = 135, 108
RATES = (125_000, 250_000)
COSTS = Costs(move=1.0, reset=0.3, route=0.2, metre=0.15)


def made_line(seed: int, networks: int = 2) -> Question:
    """Four units of two messages and a gateway on two or three networks along a vehicle."""
    chance = random.Random(seed)
    nets = [
        Net(
            name,
            rate,
            RATES,
            0.9,
            trunk_m=chance.choice((None, None, 4.0)),
            longest_m={125_000: 9.0, 250_000: chance.choice((4.0, 6.0))},
            stub_m={125_000: 1.5, 250_000: chance.choice((0.5, 1.5))},
            stubs_m={125_000: chance.choice((2.0, 4.0)), 250_000: 2.0},
        )
        for name, rate in (("a", 125_000), ("b", 250_000), ("c", 125_000))[:networks]
    ]
    units = [
        Unit("gate", port, k, (k,), frozenset(RATES), (), at_m=4.0)
        for k, port in enumerate(("left", "right", "top")[:networks])
    ]
    for n in range(4):
        home = chance.randrange(networks)
        fifo = chance.random() < 0.5
        sent = tuple(_sent(chance, n, m) for m in range(2))
        may = tuple(range(networks)) if chance.random() < 0.8 else (home,)
        units.append(
            Unit(
                f"n{n}",
                "",
                home,
                may,
                frozenset(RATES),
                sent,
                at_m=chance.choice((None, 0.0, 2.0, 5.0, 8.0)),
                stub_m=chance.choice((0.0, 0.3, 1.0)),
                fifo=fifo,
            )
        )
    wanted = []
    for _ in range(2):
        r, q = chance.sample(range(networks, networks + 4), 2)
        wanted.append(Wanted((r,), ((q, 0),), True, ((q, 0),)))
    wanted = list(dict.fromkeys(wanted))
    return Question(
        tuple(nets),
        tuple(units),
        tuple(wanted),
        (Gateway("gate", tuple(range(networks))),),
        costs=COSTS,
    )


def _sent(chance: random.Random, n: int, m: int) -> Sent:
    number = chance.choice((0x10, 0x20, 0x30, 0x40)) * 8 + 2 * n + m
    period = chance.choice((6, 10, 15, 20, 40))
    due = chance.choice((3, 5, 8, 20, 40))
    name = Name(False, number)
    frames = Frames(name, BITS, period * MS, min(due, period) * MS, least_bits=LEAST)
    return Sent(f"n{n}/m{m}", name, BITS * 1000 / period, (frames,))


def late_in(question: Question, answer: Placement) -> tuple[int, ...]:
    """The networks on which a message of a placement is late."""
    return counted(question, answer)[0]


def counted(
    question: Question, answer: Placement
) -> tuple[tuple[int, ...], dict[tuple[int, int, int], int]]:
    """The networks on which a message of a placement is late, and how late [ns] at least gateways
    bring messages, by (unit, message, network): for certain where none is late."""
    arrived: dict[tuple[int, int, int], int] = {}
    while True:
        late, grown = [], {}
        for k, rate in enumerate(answer.rates):
            rows = _rows(question, answer, k)
            found = solve(_model(rows, rate, arrived, k)).response
            if any(not 0 <= r <= row[2].deadline for r, row in zip(found, rows, strict=True)):
                late.append(k)
            for r, (u, m, frames, _) in zip(found, rows, strict=True):
                for what in answer.carried:
                    if (what.unit, what.message) == (u, m) and answer.where[u] == k:
                        least = frames.least_bits * 10**9 // rate
                        grown[u, m, what.network] = r - least if r >= 0 else 10**12
        if late or grown == arrived:
            return tuple(late), grown
        arrived = grown


def _rows(question: Question, answer: Placement, k: int) -> list[tuple[int, int, Frames, int]]:
    """Unit, message, frames and queue of all that is sent on a network, most urgent first."""
    rows = [
        (i, m, s.frames[0], i if unit.fifo else -1)
        for i, unit in enumerate(question.units)
        for m, s in enumerate(unit.sent)
        if answer.where[i] == k
    ]
    for what in answer.carried:
        if what.network == k:
            frames = question.units[what.unit].sent[what.message].frames[0]
            rows.append((what.unit, what.message, frames, -1))
    return sorted(rows, key=lambda row: row[2].name.identifier)


def _model(
    rows: list[tuple[int, int, Frames, int]],
    rate: int,
    arrived: dict[tuple[int, int, int], int],
    k: int,
) -> QueueModel:
    n = len(rows)
    frame = [row[2].bits * 10**9 // rate for row in rows]
    jitter = [arrived.get((u, m, k), 0) for u, m, _, _ in rows]
    return QueueModel(
        streams=(),
        status=(Status.PROVEN,) * n,
        part=(False,) * n,
        upto=list(range(1, n + 1)),
        single=frame,
        frame=frame,
        period=[row[2].period for row in rows],
        jitter=jitter,
        inherited=jitter,
        deadline=[min(row[2].deadline, ONE_OFF_NS - 1) for row in rows],
        queue=[row[3] for row in rows],
        spaced=(False,) * n,
        rhythm=[-1] * n,
        offset=[0] * n,
        sessions=(),
        load=0.0,
        bit=10**9 // rate,
        fault_cost=0,
    )


def cheapest_line(question: Question) -> float | None:
    """The least cost of all placements that work; ``None`` when none does."""
    best = None
    for answer in answers(question):
        price = _price(question, answer)
        if price is None or (best is not None and price >= best):
            continue
        if _named_once(question, answer) and not late_in(question, answer):
            best = price
    return best


def answers(question: Question) -> Iterator[Placement]:
    """Every placement, with what has to be carried in it."""
    for where in product(*(u.networks for u in question.units)):
        carried = frozenset(
            Carried(0, q, m, where[want.units[0]])
            for want in question.wanted
            for q, m in want.senders
            if where[q] != where[want.units[0]]
        )
        for rates in product(*(net.rates for net in question.nets)):
            yield Placement(where, (0,) * len(where), rates, carried=carried)


def _named_once(question: Question, answer: Placement) -> bool:
    for k in range(len(question.nets)):
        names = [row[2].name for row in _rows(question, answer, k)]
        if len(set(names)) < len(names):
            return False
    return True


def _price(question: Question, answer: Placement) -> float | None:
    """What a placement costs, ``None`` where loads or lengths forbid it."""
    units = question.units
    price = COSTS.move * sum(u.home != k for u, k in zip(units, answer.where, strict=True))
    price += COSTS.route * len(answer.carried)
    for k, (net, rate) in enumerate(zip(question.nets, answer.rates, strict=True)):
        there = [u for u, where in zip(units, answer.where, strict=True) if where == k]
        today = [u for u in units if u.home == k]
        rows = _rows(question, answer, k)
        if sum(f.bits * 1e9 / f.period for _, _, f, _ in rows) > net.limit * rate + 1e-6:
            return None
        if rate != net.rate:
            price += COSTS.reset * len({u.node for u in today})
        laid = _span(today) if net.trunk_m is None else net.trunk_m
        more = max(0.0, _span(there) - laid)
        if more and laid + more > net.longest_m[rate] + 1e-9:
            return None
        price += COSTS.metre * more
        kept = [u for u in there if u.home == k and rate == net.rate]
        if any(u.stub_m > net.stub_m[rate] for u in there if u not in kept):
            return None
        most = max(net.stubs_m[rate], sum(u.stub_m for u in today) if rate == net.rate else 0.0)
        if sum(u.stub_m for u in there) > most + 1e-9:
            return None
    return price


def _span(units: list[Unit]) -> float:
    places = [u.at_m for u in units if u.at_m is not None]
    return max(places) - min(places) if places else 0.0
