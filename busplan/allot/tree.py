"""The relaxed programme split in two again and again, until what is left costs too much.

Of a node the two halves in which a variable is 0 and 1 cost more than the node itself. The variable
is the one of a few for which both rise most (strong branching); who leaves a network comes before
where to. The cheapest node is always next, so that its cost is a bound for all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from heapq import heappop, heappush
from itertools import count
from typing import Any

import numpy as np

from busplan.allot.solver import Relaxation, Relaxed
from busplan.frames.columns import I64

Tightened = Callable[[Relaxation, float], Relaxed | None]
"""A relaxed programme solved with what it breaks, until it costs more than a number."""

_TRIED = 5
"""Variables that both halves are looked at for."""
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


@dataclass
class Tree:
    """All that is left of a relaxed programme with answers that cost no more than ``most``.

    ``pools``: variables to split by, the more important ones first.
    """

    relaxation: Relaxation
    tightened: Tightened
    pools: Sequence[I64]
    most: float = float("inf")
    _open: list[Node] = field(default_factory=list)
    _seen: dict[int, float] = field(default_factory=dict)
    """How much a variable told where it was looked at last."""
    _numbers: count[int] = field(default_factory=count)

    def __post_init__(self) -> None:
        self.relaxation.up_to(self.most)

    @property
    def bound(self) -> float:
        """Nothing that is left costs less."""
        return self._open[0].cost if self._open else float("inf")

    def add(self, held: Mapping[int, float], relaxed: Relaxed, cost: float) -> None:
        """One more part in which nothing costs less, unless nothing there is of use."""
        if cost <= self.most:
            heappush(self._open, Node(cost, next(self._numbers), held, relaxed))

    def pop(self) -> Node | None:
        """The cheapest part that is left."""
        return heappop(self._open) if self._open else None

    def split(self, node: Node) -> bool:
        """Put both halves of a node in its place; false when there is nothing to split by."""
        best, most = None, -1.0
        self.relaxation.hold(node.held)
        self.relaxation.solve(roughly=True)
        mark = self.relaxation.mark()
        for v in self._candidates(node):
            rises = [self._rise(node, {**node.held, v: value}, mark) for value in (0.0, 1.0)]
            self._seen[v] = min(rises) * max(rises)
            if self._seen[v] > most:
                best, most = v, self._seen[v]
        if best is None:
            return False
        for value in (0.0, 1.0):
            held = {**node.held, best: value}
            self.relaxation.hold(held)
            half = self.tightened(self.relaxation, self.most) or node.relaxed
            self.add(held, half, max(half.cost, node.cost))
        return True

    def _candidates(self, node: Node) -> list[int]:
        """Variables to look at: those that told best before, and new ones."""
        x = node.relaxed.x
        for pool in self.pools:
            to_whole = np.minimum(x[pool], 1 - x[pool])
            order = np.argsort(-to_whole, kind="stable")
            found = [int(v) for v in pool[order[to_whole[order] > _BETWEEN]]]
            known = sorted((v for v in found if v in self._seen), key=lambda v: -self._seen[v])
            new = [v for v in found if v not in self._seen]
            if found:
                return [*known[:_AGAIN], *new[: _TRIED - len(known[:_AGAIN])]]
        return []

    def _rise(self, node: Node, held: Mapping[int, float], mark: Any) -> float:
        """How much dearer a half is at least than the node, which was solved at the mark."""
        self.relaxation.back_to(mark)
        self.relaxation.hold(held)
        half = self.relaxation.solve(roughly=True) or node.relaxed
        return min(half.cost, self.most * (1 + _DEAR)) - node.cost + _BETWEEN
