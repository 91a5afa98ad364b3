"""Why no identifiers of a network help: messages that cannot all be in time, none of them too many.

The rules of this file: a set of messages is impossible when, alone on the network, it has no order
in which all are in time and have identifiers of their own. One message more only waits more and
makes others wait more, so every larger set is impossible as well: a set is a proof, whatever else
is sent. Frames of messages in several frames stay in each set. Where only free numbers are missing,
nothing is proven, and a set counts as possible.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from busplan.allot.order import Failure, NetworkOrder
from busplan.timing.queue_model import ONE_OFF_NS, QueueModel

MOST_SETS = 4
"""So many sets of one network are told; each has to be mended."""
_CHUNKS = (16, 4, 1)

T = TypeVar("T")

Order = Callable[[QueueModel], NetworkOrder]
"""The search of a network of these entries."""


@dataclass(frozen=True, slots=True)
class Freed:
    """What would make a set possible: ``what`` is ``identifiers`` of ``node`` that may change, a
    ``deadline`` [ns] of its ``message``, or a ``bit rate`` [bit/s]. ``whole``: the network is
    possible then as well."""

    what: str
    whole: bool
    node: str = ""
    message: str = ""
    value: int = 0


@dataclass(frozen=True, slots=True)
class Network:
    """One network for these questions: entries, which may change, and how to search an order."""

    model: QueueModel
    free: tuple[bool, ...]
    order: Order

    def impossible(self, members: Sequence[int]) -> bool:
        """Whether these messages, alone on the network, cannot all be in time."""
        parts = [i for i, part in enumerate(self.model.part) if part]
        kept = sorted({*members, *parts})
        fixed = Counter(self.model.upto[i] for i in members if not self.free[i])
        if any(times > 1 for times in fixed.values()):
            return True
        found = self.order(restricted(self.model, kept)).find(
            np.array([self.free[i] for i in kept], np.bool_)
        )
        return isinstance(found, Failure) and not found.full

    def freeing(self, node: str) -> Network:
        """The network when messages of a node may have other identifiers."""
        own = [s.node == node for s in self.model.streams]
        free = [f or (o and not p) for f, o, p in zip(self.free, own, self.model.part, strict=True)]
        return replace(self, free=tuple(free))

    def due(self, entry: int, deadline: int) -> Network:
        """The network when a message may take so long [ns]."""
        deadlines = list(self.model.deadline)
        deadlines[entry] = deadline
        return replace(self, model=replace(self.model, deadline=deadlines))


def restricted(model: QueueModel, kept: Sequence[int]) -> QueueModel:
    """The model with these entries only, in their order."""
    place = {old: new for new, old in enumerate(kept)}
    upto = [sum(1 for k in kept if k < model.upto[i]) for i in kept]
    sessions = tuple(
        replace(p, place=place[p.place], entries=tuple(place[k] for k in p.entries))
        for p in model.sessions
        if p.place in place and all(k in place for k in p.entries)
    )

    def pick(values: Sequence[T]) -> list[T]:
        return [values[i] for i in kept]

    return replace(
        model,
        streams=tuple(pick(model.streams)),
        status=tuple(pick(model.status)),
        part=tuple(pick(model.part)),
        upto=upto,
        single=pick(model.single),
        frame=pick(model.frame),
        period=pick(model.period),
        jitter=pick(model.jitter),
        inherited=pick(model.inherited),
        deadline=pick(model.deadline),
        queue=pick(model.queue),
        spaced=tuple(pick(model.spaced)),
        rhythm=pick(model.rhythm),
        offset=pick(model.offset),
        sessions=sessions,
    )


def impossible_sets(network: Network) -> Iterator[tuple[int, ...]]:
    """Sets of messages that cannot all be in time, of which none can be left out; no two of them
    share a message. None when the network is possible, or only numbers are missing."""
    left = list(network.model.messages)
    for _ in range(MOST_SETS):
        if not network.impossible(left):
            return
        found = _smallest(network, left)
        yield tuple(sorted(found))
        left = [i for i in left if i not in found]


def _smallest(network: Network, members: Sequence[int]) -> list[int]:
    """Members without all that can be left out, rare and short ones first."""
    model = network.model
    left = sorted(members, key=lambda i: model.frame[i] / model.period[i])
    for size in _CHUNKS:
        there = list(left)
        for begin in range(0, len(there), size):
            chunk = set(there[begin : begin + size])
            fewer = [i for i in left if i not in chunk]
            if fewer and network.impossible(fewer):
                left = fewer
    return left


def frees(
    network: Network,
    members: Sequence[int],
    at_rate: Callable[[int], Network],
    rates: Sequence[int],
) -> Iterator[Freed]:
    """What would make an impossible set possible, each alone; that one of them leaves does too."""
    model = network.model
    whole = model.messages
    for node in dict.fromkeys(model.streams[i].node for i in members):
        other = network.freeing(node)
        if other.free != network.free and not other.impossible(members):
            yield Freed("identifiers", not other.impossible(whole), node)
    for i in members:
        deadline = _least_deadline(network, members, i)
        if deadline is not None:
            fine = not network.due(i, deadline).impossible(whole)
            stream = model.streams[i]
            yield Freed("deadline", fine, stream.node, stream.path[2], deadline)
    for rate in rates:
        faster = at_rate(rate)
        if not faster.impossible(members):
            yield Freed("bit rate", not faster.impossible(whole), value=rate)
            return


def _least_deadline(network: Network, members: Sequence[int], i: int) -> int | None:
    """The least deadline [ns] of a message, up to ten times its own, that makes a set possible."""
    low, high = network.model.deadline[i], 10 * network.model.deadline[i]
    if low >= ONE_OFF_NS:
        return None
    if network.due(i, high).impossible(members):
        return None
    while high - low > 1_000:
        middle = (low + high) // 2
        if network.due(i, middle).impossible(members):
            low = middle
        else:
            high = middle
    return high
