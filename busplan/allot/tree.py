"""The relaxed programme split in two again and again, until what is left costs too much.

Of a node the two halves in which a variable is 0 and 1 cost more than the node itself. The variable
is the one of a few for which both rise most (strong branching). The cheapest node is always next,
so that its cost is a bound for all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from heapq import heappop, heappush
from itertools import count, islice, zip_longest
from typing import Any, NamedTuple

import numpy as np

from busplan.allot.solver import Relaxation, Relaxed
from busplan.frames.columns import F64, I64

Tightened = Callable[[Relaxation, float], Relaxed | None]
"""A relaxed programme solved with what it breaks, until it costs more than a number."""

_TRIED = (20, 10, 10, 6)
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
    """A part of it: ``held`` variables at a value; ``cost``: nothing there is cheaper."""

    cost: float
    number: int
    held: Mapping[int, float] = field(compare=False)
    relaxed: Relaxed = field(compare=False)


class Part(NamedTuple):
    """The same as it is kept: nothing with ``held`` variables at a value costs less."""

    cost: float
    held: Mapping[int, float]


@dataclass
class Tree:
    """All that is left of a relaxed programme with answers that cost no more than ``most``.

    ``pools``: variables to split by, by kind, of which as many are looked at; ``others``: where all
    of these are whole; ``seen``: how much a variable told where it was looked at last;
    ``aside``: parts whose best answer is known, for when that is found to be none.
    """

    relaxation: Relaxation
    tightened: Tightened
    pools: Sequence[I64]
    others: I64
    most: float = float("inf")
    seen: dict[int, float] = field(default_factory=dict)
    aside: list[Part] = field(default_factory=list)
    _open: list[Node] = field(default_factory=list)
    _kept: list[tuple[float, int, Part]] = field(default_factory=list)
    _numbers: count[int] = field(default_factory=count)

    def __post_init__(self) -> None:
        self.relaxation.up_to(self.most)

    @property
    def bound(self) -> float:
        """Nothing that is left costs less."""
        first = self._open[0].cost if self._open else float("inf")
        return min(first, self._kept[0][0]) if self._kept else first

    def add(self, held: Mapping[int, float], relaxed: Relaxed, cost: float) -> None:
        """One more part in which nothing costs less, unless nothing there is of use."""
        if cost <= self.most:
            heappush(self._open, Node(cost, next(self._numbers), held, relaxed))

    def again(self, parts: Iterable[Part]) -> None:
        """Parts of an earlier tree of the same programme, which may have more rows now."""
        for part in parts:
            if part.cost <= self.most:
                heappush(self._kept, (part.cost, next(self._numbers), part))

    def parts(self) -> list[Part]:
        """All that is left, with what is aside."""
        left = [part for *_, part in self._kept] + self.aside
        return left + [Part(node.cost, node.held) for node in self._open]

    def pop(self) -> Node | None:
        """The cheapest part that is left."""
        while self._kept and self._kept[0][0] <= self.bound:
            part = heappop(self._kept)[-1]
            self.relaxation.hold(part.held)
            if (relaxed := self.tightened(self.relaxation, self.most)) is None:
                nothing = np.zeros(self.relaxation.variables)
                relaxed = Relaxed(nothing, part.cost, nothing)
            self.add(part.held, relaxed, max(part.cost, relaxed.cost))
        return heappop(self._open) if self._open else None

    def split(self, node: Node) -> bool:
        """Put both halves of a node in its place; false when there is nothing to split by."""
        best, most = None, -1.0
        self.relaxation.hold(node.held)
        self.relaxation.solve(roughly=True)
        mark = self.relaxation.mark()
        for v in self._candidates(node):
            rises = [self._rise(node, {**node.held, v: value}, mark) for value in (0.0, 1.0)]
            self.seen[v] = min(rises) * max(rises)
            if self.seen[v] > most:
                best, most = v, self.seen[v]
        if best is None:
            return False
        for value in (0.0, 1.0):
            held = {**node.held, best: value}
            self.relaxation.hold(held)
            half = self.tightened(self.relaxation, self.most) or node.relaxed
            self.add(held, half, max(half.cost, node.cost))
        return True

    def _candidates(self, node: Node) -> list[int]:
        """Variables to look at: those that told best before, and new ones of every kind."""
        tried = _TRIED[min(len(node.held), len(_TRIED) - 1)]
        kinds = [self._between(pool, node.relaxed.x) for pool in self.pools]
        found = [v for kind in kinds for v in kind]
        if not found:
            return self._between(self.others, node.relaxed.x)[:tried]
        known = sorted((v for v in found if v in self.seen), key=lambda v: -self.seen[v])[:_AGAIN]
        fresh = ((v for v in kind if v not in self.seen) for kind in kinds)
        new = (v for some in zip_longest(*fresh) for v in some if v is not None)
        return [*known, *islice(new, tried - len(known))]

    def _between(self, pool: I64, x: F64) -> list[int]:
        """Those of a pool that are neither 0 nor 1, the nearest to the middle first."""
        to_whole = np.minimum(x[pool], 1 - x[pool])
        order = np.argsort(-to_whole, kind="stable")
        return [int(v) for v in pool[order[to_whole[order] > _BETWEEN]]]

    def _rise(self, node: Node, held: Mapping[int, float], mark: Any) -> float:
        """How much dearer a half is at least than the node's solution, which ended at the mark; the
        node itself may cost more than that tells."""
        self.relaxation.back_to(mark)
        self.relaxation.hold(held)
        half = self.relaxation.solve(roughly=True) or node.relaxed
        return min(half.cost, self.most * (1 + _DEAR)) - node.relaxed.cost + _BETWEEN
