"""How late gateways bring messages at least, as the other networks stand in an answer.

The rules of this file: a lower bound, that names all it rests on. Counted is what keeps its
identifier on the network a message comes from; what gets another one is left out, and what gateways
bring there counts as if it came at its own period.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection

from busplan.allot.judge import Delay, Entry, Member, entries_of, members, model_of
from busplan.allot.learnt import Elsewhere
from busplan.allot.problem import Carried, Frames, Placement, Question
from busplan.timing.queue_model import QueueModel
from busplan.timing.solving import solve
from busplan.wire.lengths import Bits, duration_ns


def delays(
    question: Question,
    answer: Placement,
    without: Collection[int] = (),
    to: int | None = None,
) -> dict[tuple[int, int, int], Delay]:
    """The jitter that gateways bring, by (unit, message, network).

    ``without``: units whose frames are not counted, so that it holds wherever these go; ``to``: to
    this network only.
    """
    comes_from: dict[int, list[Carried]] = defaultdict(list)
    for what in answer.carried:
        if to is None or what.network == to:
            comes_from[answer.where[what.unit]].append(what)
    found: dict[tuple[int, int, int], Delay] = {}
    for network, brought in comes_from.items():
        for what, delay in _from(question, answer, network, brought, without):
            key = what.unit, what.message, what.network
            if delay.ns > 0 and (key not in found or found[key].ns < delay.ns):
                found[key] = delay
    return found


def _from(
    question: Question,
    answer: Placement,
    network: int,
    brought: list[Carried],
    without: Collection[int],
) -> list[tuple[Carried, Delay]]:
    """What is brought from one network."""
    senders = {what.unit for what in brought}
    there = [
        Member(i, answer.option[i])
        for i, where in enumerate(answer.where)
        if where == network and (i in senders or i not in without)
    ]
    there += [m for m in members(question, answer, network) if m.message is not None]
    entries = [
        e
        for e in entries_of(question, there, network, loose=False)
        if not e.free or (e.movable and e.who and (e.who[0], e.who[2]) not in answer.moved)
    ]
    if not entries:
        return []
    rate = answer.rates[network]
    model = model_of(question, network, rate, entries, queues=True, planned=True)
    response = solve(model, fault_every=question.nets[network].fault_interval_ns).response
    places = {e.who[::2]: k for k, e in enumerate(entries) if e.who and not e.who[3]}
    found = []
    for what in brought:
        k = places.get((what.unit, what.message))
        if k is None or response[k] < 0 or not entries[k].frames.least_bits:
            continue
        key = what.unit, what.message, what.network
        known = min(g.delays.get(key, 0) for g in question.gateways)
        late = response[k] - _shortest(question, network, rate, entries[k].frames) + known
        found.append((what, Delay(late, _makers(question, network, rate, entries, model, k))))
    return found


def _shortest(question: Question, network: int, rate: int, frames: Frames) -> int:
    """Least time from queueing to reception [ns]."""
    bits = Bits(frames.least_bits, frames.least_data_bits)
    return duration_ns(bits, rate, question.nets[network].data_rate)


def _makers(
    question: Question, network: int, rate: int, entries: list[Entry], model: QueueModel, k: int
) -> Elsewhere:
    """Whose frames a response time is made of: those before it and the longest behind."""
    upto = model.upto[k]
    if any(e.queue >= 0 for e in entries):
        upto = len(entries)  # queues hold up what is before them, and that others
    behind = range(upto, len(entries))
    named = [*range(upto), *([max(behind, key=lambda i: model.single[i])] if behind else ())]
    whose = [(entries[i], who) for i in named if (who := entries[i].who) is not None]
    return Elsewhere(
        frozenset(
            (who[0], who[1] if len(question.units[who[0]].options) > 1 else None, network)
            for _, who in whose
            if not who[3]
        ),
        frozenset((who[0], who[2], network) for e, who in whose if e.movable and not who[3]),
        frozenset({(network, rate)}),
        frozenset((who[0], who[2], network) for _, who in whose if who[3]),
    )
