"""Inequalities of one network, held against every set of messages that may be there."""

import random
from itertools import combinations

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busplan.allot.demands import demands, foreseen
from busplan.allot.guests import Guests
from busplan.allot.judge import Member, entries_of, order_of
from busplan.allot.learnt import Demand
from busplan.allot.problem import Frames, Name, Net, Placement, Question, Sent, Unit

MS = 1_000_000
RATE = 125_000


def asked(seed: int) -> Question:
    """Eight nodes of a message each that may be on either of two networks."""
    chance = random.Random(seed)
    units = []
    for n in range(8):
        name = Name(False, 0x10 * n)
        bits, period = chance.choice((60, 130, 155)), chance.choice((4, 5, 7, 12))
        deadline = chance.choice((3, 4, 6, 9)) * MS
        frames = Frames(name, bits, period * MS, deadline, chance.choice((0, 0, MS // 2)))
        sent = Sent(f"n{n}/m", name, 1.0, (frames,))
        units.append(Unit(f"n{n}", "", 0, (0, 1), frozenset({RATE}), (sent,)))
    return Question(tuple(Net(k, RATE, (RATE,), 0.9) for k in "ab"), tuple(units))


def in_time(question: Question, there: tuple[int, ...]) -> bool:
    """Whether these nodes are in time together under the identifiers they have."""
    entries = entries_of(question, [Member(i) for i in there], 0, loose=False)
    order = order_of(question, 0, RATE, entries)
    return all(order.in_time(k, np.arange(order.n) < k) for k in range(order.n))


def meets(demand: Demand, there: tuple[int, ...]) -> bool:
    gone = sum(w for (u, *_), w in (*demand.kept, *demand.there) if u not in there)
    return gone - sum(w for (u, *_), w in demand.guests if u in there) >= demand.least


@given(seed=st.integers(0, 10**6), here=st.integers(2, 7))
@example(seed=2751, here=6)  # a guest that is long in some windows and short in the one that counts
@settings(max_examples=40)
def test_an_inequality_holds_for_all_that_may_come_together(seed: int, here: int) -> None:
    """Those of a network with ``here`` nodes on it, late or nearly so: no set of nodes that is in
    time there breaks one."""
    question = asked(seed)
    everyone = range(len(question.units))
    own = random.Random(seed).sample(everyone, here)
    answer = Placement(tuple(int(i not in own) for i in everyone), (0,) * 8, (RATE, RATE))
    known = Guests.of(question, 0, RATE)
    found = [
        *demands(question, answer, 0, None, lambda network, rate: known),
        *foreseen(question, answer, 0, lambda network, rate: known),
    ]
    assert all(not meets(d, tuple(own)) for d in found if d.least > 0)
    works = [
        there
        for size in range(len(everyone) + 1)
        for there in combinations(everyone, size)
        if in_time(question, there)
    ]
    for demand in found:
        assert all(meets(demand, there) for there in works)
