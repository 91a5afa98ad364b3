"""Whether a network can be in time where nodes send first in, first out.

The rules of this file: as in :mod:`busplan.allot.judge`, but identifiers are as they stand: what
may have another one is left out, which makes everything else earlier, or counted as long as it
keeps its own (``queue_demand``). So a set that misses does so for certain. Queues are counted as
the analysis of the finished plan counts them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busplan.allot.judge import (
    Delays,
    Entry,
    Member,
    beside_of,
    cut_of,
    entries_of,
    members,
    model_of,
    smallest,
)
from busplan.allot.learnt import Cut, Demand, Who
from busplan.allot.problem import Placement, Question
from busplan.timing.solving import solve


def queue_cut(
    question: Question, answer: Placement, network: int, delays: Delays | None = None
) -> Cut | None:
    """A small set of what is on a network that misses because of its queues; ``None``: none does.

    ``delays``: how late gateways bring messages in this answer; not at all by default.
    """
    there = members(question, answer, network, delays)
    if not any(m.message is None and question.units[m.unit].fifo for m in there):
        return None
    rate = answer.rates[network]

    def possible(some: Sequence[Member]) -> bool:
        return queues_fit(question, some, network, rate)

    if possible(there):
        return None
    small = smallest(there, possible, np.random.default_rng(network))
    return cut_of(question, small, network, rate, False, delays)


def queues_fit(question: Question, there: Sequence[Member], network: int, rate: int) -> bool:
    """Whether all that keep their identifiers are in time at a bit rate [bit/s]."""
    entries = entries_of(question, there, network, loose=False)
    # What is brought keeps its identifier unless the cut says otherwise.
    entries = [e for e in entries if not e.free and (not e.movable or (e.who and e.who[3]))]
    return _in_time(question, entries, network, rate)


def queue_demand(
    question: Question, answer: Placement, network: int, delays: Delays | None = None
) -> Demand | None:
    """That one of a small set of messages leaves or gets another identifier, for with those that
    they keep in an answer they miss because of queues; ``None``: none does.

    ``delays`` as for :func:`queue_cut`.
    """
    there = members(question, answer, network, delays)
    if not any(m.message is None and question.units[m.unit].fifo for m in there):
        return None
    rate = answer.rates[network]
    kept = [
        e
        for e in entries_of(question, there, network, loose=False)
        if not e.free or (e.movable and e.who and (e.who[0], e.who[2]) not in answer.moved)
    ]
    if _in_time(question, kept, network, rate):
        return None
    for entry in [kept[n] for n in np.random.default_rng(network).permutation(len(kept))]:
        fewer = [e for e in kept if e is not entry]
        if not _in_time(question, fewer, network, rate):
            kept = fewer
    may: dict[Who, int] = {}
    must: dict[Who, int] = {}
    for e in kept:
        if e.who is not None:
            (may if e.movable else must)[e.who] = 1
    brought = [(e.who[0], e.who[2], e.late_ns) for e in kept if e.who and e.who[3]]
    beside = beside_of(brought, network, delays)
    named = tuple(sorted(may.items())), tuple(sorted(must.items()))
    return Demand(network, rate, *named, 1, beside)


def _in_time(question: Question, entries: Sequence[Entry], network: int, rate: int) -> bool:
    """Whether these are in time under their identifiers, queues counted."""
    if not entries:
        return True
    model = model_of(question, network, rate, entries, queues=True)
    response = solve(model, fault_every=question.nets[network].fault_interval_ns).response
    return all(
        part or 0 <= r <= d for part, r, d in zip(model.part, response, model.deadline, strict=True)
    )
