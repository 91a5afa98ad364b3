"""The relaxed programme split in two again and again, until what is left costs too much.

Of a node the two halves in which a variable is 0 and 1 cost more than the node itself. The variable
is the one of a few for which both rise most (strong branching). The cheapest node is always next,
so that its cost is a bound for all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from heapq import heappop, heappush
from itertools import count, islice, zip_longest
from typing import NamedTuple

import numpy as np

from busplan.allot.solver import Relaxation, Relaxed
from busplan.frames.columns import F64, I64

Tightened = Callable[[Relaxation, float], Relaxed | None]
"""A relaxed programme solved with what it breaks, until it costs more than a number."""

_TRIED = (20, 8, 4, 3)
"""Variables that both halves are looked at for, by how many are held; the last from there on: what
is split by first counts most."""
_AGAIN = 2
"""The most of them that were looked at before."""
_BETWEEN = 1e-4
"""Nearer than this to 0 or 1 a variable is not split by."""
_DEAR = 0.02
"""What a half that costs too much counts as above that, as a part of it."""


@dataclass(frozen=True, slots=True, order=True)
class Node:
    """A part of it: ``held`` variables at a value; ``cost``: nothing there is cheaper.

    ``relaxed``: ``None`` when it was not solved with the rows there are now.
    """

    cost: float
    number: int
    held: Mapping[int, float] = field(compare=False)
    relaxed: Relaxed | None = field(compare=False)


class Part(NamedTuple):
    """The same as it is kept: nothing with ``held`` variables at a value costs less."""

    cost: float
    held: Mapping[int, float]


@dataclass
class Tree:
    """All that is left of a relaxed programme with answers that cost no more than ``most``.

    ``pools``: variables to split by, by kind, of which as many are looked at; ``others``: where all
    of these are whole; ``seen``: how much a variable told where it was looked at last.
    """

    pools: Sequence[I64]
    others: I64
    most: float = float("inf")
    seen: dict[int, float] = field(default_factory=dict)
    _open: list[Node] = field(default_factory=list)
    _numbers: count[int] = field(default_factory=count)

    @property
    def bound(self) -> float:
        """Nothing that is left costs less."""
        return self._open[0].cost if self._open else float("inf")

    def add(self, held: Mapping[int, float], relaxed: Relaxed | None, cost: float) -> None:
        """One more part in which nothing costs less, unless nothing there is of use."""
        if cost <= self.most:
            heappush(self._open, Node(cost, next(self._numbers), held, relaxed))

    def put_back(self, node: Node) -> None:
        """A part that was taken and not worked on."""
        heappush(self._open, node)

    def again(self, parts: Iterable[Part]) -> None:
        """Parts of an earlier tree of the same programme, which may have more rows now."""
        for part in parts:
            self.add(part.held, None, part.cost)

    def parts(self) -> list[Part]:
        """All that is left."""
        return [Part(node.cost, node.held) for node in self._open]

    def pop(self, most: float = float("inf")) -> Node | None:
        """The cheapest part that is left, if it costs no more than that."""
        return heappop(self._open) if self._open and self._open[0].cost <= most else None

    def solved(self, node: Node, relaxation: Relaxation, tightened: Tightened) -> Node:
        """A node that was not solved yet."""
        relaxation.hold(node.held)
        if (relaxed := tightened(relaxation, self.most)) is None:
            nothing = np.zeros(relaxation.variables)
            relaxed = Relaxed(nothing, node.cost, nothing)
        return replace(node, relaxed=relaxed, cost=max(node.cost, relaxed.cost))

    def split(self, node: Node, relaxation: Relaxation, told: dict[int, float]) -> list[Node]:
        """Both halves of a node, the cheaper one first; none when there is nothing to split by.

        ``told`` hears how much each variable told that was looked at.
        """
        assert node.relaxed is not None
        relaxation.hold(node.held)
        relaxation.solve(patience=0)
        mark = relaxation.mark()
        best: dict[float, float] = {}
        most, by = -1.0, -1
        for v in self._candidates(node.held, node.relaxed.x):
            costs = {}
            for value in (0.0, 1.0):
                relaxation.back_to(mark)
                relaxation.hold({**node.held, v: value})
                costs[value] = (relaxation.solve(patience=0) or node.relaxed).cost
            rises = [self._rise(node.relaxed, cost) for cost in costs.values()]
            told[v] = min(rises) * max(rises)
            if told[v] > most:
                most, by, best = told[v], v, costs
        return [
            Node(max(cost, node.cost), node.number, {**node.held, by: value}, None)
            for value, cost in sorted(best.items(), key=lambda half: half[1])
        ]

    def _candidates(self, held: Mapping[int, float], x: F64) -> list[int]:
        """Variables to look at: those that told best before, and new ones of every kind."""
        tried = _TRIED[min(len(held), len(_TRIED) - 1)]
        kinds = [self._between(pool, x) for pool in self.pools]
        found = [v for kind in kinds for v in kind]
        if not found:
            return self._between(self.others, x)[:tried]
        known = sorted((v for v in found if v in self.seen), key=lambda v: -self.seen[v])[:_AGAIN]
        fresh = ((v for v in kind if v not in self.seen) for kind in kinds)
        new = (v for some in zip_longest(*fresh) for v in some if v is not None)
        return [*known, *islice(new, tried - len(known))]

    def _between(self, pool: I64, x: F64) -> list[int]:
        """Those of a pool that are neither 0 nor 1, the nearest to the middle first."""
        to_whole = np.minimum(x[pool], 1 - x[pool])
        order = np.argsort(-to_whole, kind="stable")
        return [int(v) for v in pool[order[to_whole[order] > _BETWEEN]]]

    def _rise(self, relaxed: Relaxed, cost: float) -> float:
        """How much dearer a half is at least than the node's solution, which ended at the mark; the
        node itself may cost more than that tells."""
        return min(cost, self.most * (1 + _DEAR)) - relaxed.cost + _BETWEEN
