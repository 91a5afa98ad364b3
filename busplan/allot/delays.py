"""How late gateways bring messages at least, as the other networks stand in an answer.

The rules of this file: a lower bound, that names all it rests on. Counted is what keeps its
identifier on the network a message comes from; what gets another one is left out, and what gateways
bring there counts as if it came at its own period.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import product

from busplan.allot.judge import (
    Delay,
    Delays,
    Entry,
    Member,
    entries_of,
    longest_ns,
    members,
    model_of,
    shortest_ns,
)
from busplan.allot.learnt import Elsewhere
from busplan.allot.problem import Carried, Placement, Question
from busplan.allot.smallest import smallest_part
from busplan.timing.queue_model import ONE_OFF_NS, QueueModel
from busplan.timing.solving import solve

_NEAR_NS = 20_000
"""How near to the least delay that makes something late it is told."""
_WAYS = 3
"""So many ways to make a message late on one network are told: who goes round all of them changes
much."""


def delays(
    question: Question, answer: Placement, to: int | None = None
) -> dict[tuple[int, int, int], Delay]:
    """The jitter that gateways bring, by (unit, message, network), where that is more than
    wherever they are sent (:func:`with_least_delays`); ``to``: to this network only."""
    comes_from: dict[int, list[Carried]] = defaultdict(list)
    for what in answer.carried:
        if to is None or what.network == to:
            comes_from[answer.where[what.unit]].append(what)
    found: dict[tuple[int, int, int], Delay] = {}
    for network, brought in comes_from.items():
        there = members(question, answer, network)
        for what, delay in _from(question, answer, network, there, brought):
            key = what.unit, what.message, what.network
            if key not in found or found[key].ns < delay.ns:
                found[key] = delay
    return found


def resting_on_little(
    question: Question, answer: Placement, network: int, wrong: Callable[[Delays], bool]
) -> Iterator[Delays]:
    """Delays with which a network still is ``wrong``: few, as short as can be, each resting on few
    others on the network that its message comes from.

    One after another rests on others than those before, and on the sender being elsewhere: an
    answer that is right is unlike this one in all of them.
    """
    everyone = delays(question, answer, network)
    if not wrong(everyone):
        return
    needed = {
        key: everyone[key]
        for key in smallest_part(
            sorted(everyone), lambda some: wrong({key: everyone[key] for key in some})
        )
    }
    for key in needed:
        unit, message, _ = key
        low, high = question.units[unit].sent[message].late_ns, needed[key].ns
        while high - low > max(_NEAR_NS, high // 20):
            middle = (low + high) // 2
            if wrong({**needed, key: replace(needed[key], ns=middle)}):
                high = middle
            else:
                low = middle
        needed[key] = replace(needed[key], ns=high)
    first = {}
    more = []
    for key, delay in needed.items():
        for n, beside in enumerate(_made_by(question, answer, key, delay.ns)):
            if n == 0:
                first[key] = replace(delay, beside=beside)
            else:
                more.append((key, beside))
    yield first
    for key, beside in more:
        yield {**first, key: replace(first[key], beside=beside)}


def _made_by(
    question: Question, answer: Placement, key: tuple[int, int, int], ns: int
) -> Iterator[Elsewhere]:
    """Who makes a message come so late, each time as few as can be: some others where its sender
    is, and some on every other network on which that may be."""
    unit, _, network = key
    sends = question.units[unit]
    home = answer.where[unit]
    for source in (home, *(k for k in sends.networks if k not in (home, network))):
        if answer.rates[source] in sends.rates:
            yield from _made_on(question, answer, source, key, ns)


def _made_on(
    question: Question, answer: Placement, source: int, key: tuple[int, int, int], ns: int
) -> Iterator[Elsewhere]:
    """Who makes a message come so late where its sender is on one network."""
    unit, message, network = key
    units = question.units
    own = Member(unit, answer.option[unit])
    others = [m for m in members(question, answer, source) if m.unit != unit]
    # Those at home stay most likely.
    others.sort(key=lambda m: (m.message is not None, units[m.unit].home != source, m))
    what = [Carried(0, unit, message, network)]

    def late(some: Sequence[Member]) -> Delay | None:
        found = _from(question, answer, source, [own, *some], what)
        return found[0][1] if found and found[0][1].ns >= ns else None

    for _ in range(_WAYS):
        if late(others) is None:
            break
        few = smallest_part(others, lambda some: late(some) is not None)
        if delay := late(few):
            yield delay.beside
        if not few:
            break
        others = [m for m in others if m not in few]


def with_least_delays(question: Question) -> Question:
    """The question, with how late a gateway brings at least what it may bring: as late as if the
    node that sends it were alone, on the fastest network."""
    may = {message for want in question.wanted for message in want.bring}
    may |= {(u, m) for _, u, m, _ in question.stays}
    units = list(question.units)
    alone = replace(question, fixed={})
    for u in sorted({u for u, _ in may}):
        late = _late_alone(alone, u)
        units[u] = replace(
            units[u],
            sent=tuple(
                replace(message, late_ns=late[m]) if (u, m) in may else message
                for m, message in enumerate(units[u].sent)
            ),
        )
    return replace(question, units=tuple(units))


def _late_alone(question: Question, unit: int) -> list[int]:
    """How late each message of a unit comes at least that has a network for itself."""
    sends = question.units[unit]
    least = [ONE_OFF_NS] * len(sends.sent)
    nets = {
        (b, question.nets[k].data_rate): k
        for k in sends.networks
        for b in question.nets[k].rates
        if b in sends.rates
    }
    for ((rate, data_rate), k), option in product(nets.items(), range(len(sends.options))):
        there = entries_of(question, [Member(unit, option)], k, loose=False)
        kept = [e for e in there if not e.free and not e.movable]
        model = model_of(question, k, rate, kept, queues=True, planned=True)
        response = solve(model).response if kept else []
        found = {e.who[2]: r for e, r in zip(kept, response, strict=True) if e.who and r >= 0}
        for m, message in enumerate(sends.sent):
            frames = message.frames[0]
            if not frames.least_bits:
                least[m] = 0
                continue
            response_ns = found.get(m, longest_ns(frames, rate, data_rate))
            late = response_ns - shortest_ns(frames, rate, data_rate)
            least[m] = min(least[m], late)
    return [0 if late == ONE_OFF_NS else late for late in least]


def _from(
    question: Question,
    answer: Placement,
    network: int,
    there: Sequence[Member],
    brought: Sequence[Carried],
) -> list[tuple[Carried, Delay]]:
    """How late what is brought from one network comes, with these there."""
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
        shortest = shortest_ns(entries[k].frames, rate, question.nets[network].data_rate)
        late = response[k] - shortest + known
        if late > question.units[what.unit].sent[what.message].late_ns:
            found.append((what, Delay(late, _makers(question, network, rate, entries, model, k))))
    return found


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
        frozenset((who[0], who[2], network, who[1]) for _, who in whose if who[3]),
    )
