"""Whether the units placed on one network can be in time there, and who is guilty when not.

The rules of this file: what is asked is necessary: identifiers that may change are at their best,
queues first in, first out are not judged here (:mod:`busplan.allot.queues` does), gateways bring
what they bring as late as is certain (:mod:`busplan.allot.delays`). A set that misses even so
misses for certain, and so does every larger one; that is what a cut says.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from busplan.allot.learnt import ANY_NAME, NOWHERE, Cut, Elsewhere, Who
from busplan.allot.order import Failure, NetworkOrder
from busplan.allot.problem import Frames, Name, Placement, Question, Sent
from busplan.timing.queue_model import ONE_OFF_NS, QueueModel, Status
from busplan.timing.slack import STEPS, shrunk_model
from busplan.wire.lengths import ERROR_BITS_WORST, Bits, duration_ns

_ORDERS = 3
"""Orders in which guilty sets are made small: each may give another cut."""


class Member(NamedTuple):
    """What is on a network: a unit with its option, or a message that a gateway brings there,
    ``renamed`` or under the identifier of that option, up to so late [ns]."""

    unit: int
    option: int = 0
    message: int | None = None
    renamed: bool = False
    late_ns: int = 0


@dataclass(frozen=True, slots=True)
class Delay:
    """How late [ns] a gateway brings a message at least, and who makes it so."""

    ns: int
    beside: Elsewhere


Delays = Mapping[tuple[int, int, int], Delay]
"""By (unit, message, network)."""


class Entry(NamedTuple):
    """Frames on a network under a name. ``free``: it may be another one; ``movable``: at the cost
    of a change. ``who`` is ``None`` for what is there whatever the answer. ``late_ns``: the jitter
    that a gateway brings; ``queue``: the unit whose queue first in, first out it waits in, or −1.
    """

    frames: Frames
    name: Name
    free: bool
    movable: bool = False
    who: Who | None = None
    late_ns: int = 0
    queue: int = -1


def members(
    question: Question, answer: Placement, network: int, delays: Delays | None = None
) -> tuple[Member, ...]:
    """Who is on a network in an answer; ``delays``: of what gateways bring."""
    units = [
        Member(i, answer.option[i]) for i, where in enumerate(answer.where) if where == network
    ]
    brought = {
        (c.unit, c.message, c in answer.renamed) for c in answer.carried if c.network == network
    }
    late = (
        {} if delays is None else {key[:2]: d.ns for key, d in delays.items() if key[2] == network}
    )
    return (
        *units,
        *(
            Member(u, answer.option[u], m, renamed, late.get((u, m), 0))
            for u, m, renamed in sorted(brought)
        ),
    )


def cuts(
    question: Question,
    answer: Placement,
    network: int,
    seed: int,
    enough: Callable[[], bool],
    delays: Delays | None = None,
) -> Iterator[Cut]:
    """Small sets of what is on a network that cannot be in time there, none when all can be.

    ``delays``: how late gateways bring messages in this answer, and by whom; none by default.
    """
    there = members(question, answer, network, delays)
    rate = answer.rates[network]
    if fits(question, there, network, rate, loose=False):
        return
    loose = not fits(question, there, network, rate, loose=True)
    shuffled = np.random.default_rng(seed)
    found = set()
    for _ in range(_ORDERS):

        def possible(some: Sequence[Member]) -> bool:
            return fits(question, some, network, rate, loose=loose)

        cut = cut_of(question, smallest(there, possible, shuffled), network, rate, loose, delays)
        if cut not in found:
            found.add(cut)
            yield cut
        if enough():
            return


def carried(
    question: Question, there: Sequence[Member], *, own: bool
) -> Iterator[tuple[int, int, int]]:
    """What is carried, as a cut names it; ``own``: whether identifiers matter."""
    for m in there:
        if m.message is not None:
            open_ = m.renamed or question.units[m.unit].options[m.option].other
            yield m.unit, m.message, m.option if own and not open_ else ANY_NAME


def _own(question: Question, network: int) -> bool:
    """Whether what holds there holds nowhere else: fixed frames, bus errors that others do not
    have, a data phase."""
    net = question.nets[network]
    alone = any(other.fault_interval_ns != net.fault_interval_ns for other in question.nets)
    faults = bool(net.fault_interval_ns) and alone
    return bool(question.fixed.get(network) or faults or net.data_rate is not None)


def _named(question: Question, member: Member, loose: bool) -> int | None:
    """The option of a unit, where it matters."""
    return None if loose or len(question.units[member.unit].options) < 2 else member.option


def cut_of(
    question: Question,
    small: Sequence[Member],
    network: int,
    rate: int,
    loose: bool,
    delays: Delays | None,
) -> Cut:
    """That these cannot share a network; ``loose`` as for :func:`fits`."""
    beside = beside_of(((m.unit, m.message, m.late_ns) for m in small), network, delays)
    only_here = _own(question, network) or beside != NOWHERE
    return Cut(
        tuple(sorted((m.unit, _named(question, m, loose)) for m in small if m.message is None)),
        tuple(sorted(carried(question, small, own=not loose))),
        rate,
        network=network if only_here else None,
        beside=beside,
    )


def beside_of(
    brought: Iterable[tuple[int, int | None, int]], network: int, delays: Delays | None
) -> Elsewhere:
    """What makes those of (unit, message, how late) late that come late to a network."""
    found = NOWHERE
    for unit, message, late in brought:
        if message is not None and late and delays is not None:
            delay = delays.get((unit, message, network))
            found |= NOWHERE if delay is None else delay.beside
    return found


def smallest(
    there: Sequence[Member],
    possible: Callable[[Sequence[Member]], bool],
    shuffled: np.random.Generator,
) -> list[Member]:
    """A set that is not possible, of which nobody can be left out, nor come in time."""
    kept = list(there)
    for n in shuffled.permutation(len(there)):
        fewer = [m for m in kept if m != there[n]]
        if not possible(fewer):
            kept = fewer
    for n, member in enumerate(kept):
        if member.late_ns:
            earlier = [*kept[:n], member._replace(late_ns=0), *kept[n + 1 :]]
            kept = kept if possible(earlier) else earlier
    return kept


def fits(
    question: Question, there: Sequence[Member], network: int, rate: int, *, loose: bool
) -> bool:
    """Whether all on a network can be in time at a bit rate [bit/s].

    ``loose``: units with several options, and what is carried, may have any identifiers.
    """
    entries = entries_of(question, there, network, loose=loose)
    if not entries:
        return True
    order = order_of(question, network, rate, entries)
    found = order.find(np.array([e.free for e in entries], np.bool_))
    # Where only numbers are missing nothing is proven.
    return not isinstance(found, Failure) or found.full


def entries_of(
    question: Question, there: Sequence[Member], network: int, *, loose: bool
) -> list[Entry]:
    """All that is sent on a network, in order of arbitration; ``loose`` as for :func:`fits`."""
    found: list[Entry] = []
    for member in there:
        unit = question.units[member.unit]
        option = unit.options[member.option]
        if member.message is not None:
            who = (member.unit, member.option, member.message, True)
            free = loose or member.renamed or option.other
            movable = not member.renamed and not option.other
            message = unit.sent[member.message]
            entries = _of(message, option.shift, who, free=free, movable=movable)
            late = max(member.late_ns, message.late_ns)
            found += [e._replace(late_ns=late) for e in entries]
            continue
        any_name = loose and len(unit.options) > 1
        for m, message in enumerate(unit.sent):
            free = option.other or message.movable or any_name
            who = (member.unit, member.option, m, False)
            movable = message.movable and not option.other
            entries = _of(message, option.shift, who, free=free, movable=movable)
            found += [e._replace(queue=member.unit) for e in entries] if unit.fifo else entries
    for message in question.fixed.get(network, ()):
        found += _of(message, 0, None, free=False, movable=False)
    return sorted(found, key=rank)


def longest_ns(frames: Frames, rate: int, data_rate: int | None) -> int:
    """Longest time of one frame on the wire [ns]."""
    return duration_ns(Bits(frames.bits, frames.data_bits), rate, data_rate)


def shortest_ns(frames: Frames, rate: int, data_rate: int | None) -> int:
    """Least time from queueing to reception [ns]."""
    return duration_ns(Bits(frames.least_bits, frames.least_data_bits), rate, data_rate)


def _of(
    message: Sent, shift: int, who: Who | None, *, free: bool, movable: bool
) -> Iterator[Entry]:
    for frames in message.frames:
        name = Name(frames.name.extended, frames.name.identifier + shift)
        yield Entry(frames, name, free and not frames.urgent, movable, who)


def rank(entry: Entry) -> int:
    """As :func:`busplan.plan.vehicle.arbitration_rank`."""
    if entry.frames.urgent:
        return -1
    if entry.name.extended:
        number = entry.name.identifier
        return (number >> 18) << 19 | 1 << 18 | (number & 0x3FFFF)
    return entry.name.identifier << 19


def order_of(question: Question, network: int, rate: int, entries: Sequence[Entry]) -> NetworkOrder:
    """The test of messages in time for entries in order of arbitration; those in queues first in,
    first out are not judged."""
    model = model_of(question, network, rate, entries, queues=False)
    ranks = [rank(e) for e in entries]
    wide = [e.name.extended for e in entries]
    return NetworkOrder(model, question.nets[network].fault_interval_ns, ranks, wide)


def model_of(
    question: Question,
    network: int,
    rate: int,
    entries: Sequence[Entry],
    *,
    queues: bool,
    planned: bool = False,
) -> QueueModel:
    """Entries in order of arbitration as the analysis sees them, with queues first in, first out
    or with what waits in them not judged; ``planned``: sent as often as planned, whatever is
    asked."""
    net = question.nets[network]
    single = [longest_ns(e.frames, rate, net.data_rate) for e in entries]
    ranks = [rank(e) for e in entries]
    upto = [bisect_right(ranks, one) for one in ranks]
    judged = [
        e.frames.judged and e.frames.deadline < ONE_OFF_NS and (queues or e.queue < 0)
        for e in entries
    ]
    model = QueueModel(
        streams=(),
        status=tuple(
            Status.PROVEN if e.frames.period < ONE_OFF_NS else Status.NO_PERIOD for e in entries
        ),
        part=tuple(not j for j in judged),
        upto=upto,
        single=single,
        frame=[s * e.frames.count for s, e in zip(single, entries, strict=True)],
        period=[e.frames.period for e in entries],
        jitter=[e.frames.jitter + e.late_ns for e in entries],
        inherited=[e.late_ns for e in entries],
        deadline=[e.frames.deadline for e in entries],
        queue=[e.queue if queues else -1 for e in entries],
        spaced=tuple(e.frames.spaced for e in entries),
        rhythm=[e.frames.rhythm for e in entries],
        offset=[e.frames.offset for e in entries],
        sessions=(),
        load=0.0,
        bit=-(-(10**9) // rate),
        fault_cost=-(-ERROR_BITS_WORST * 10**9 // rate),
    )
    if planned or question.steps == STEPS:
        return model
    return shrunk_model(model, question.steps, [e.frames.follows for e in entries])
