"""The parts of a programme looked through, two at a time, until the cheapest answer is known.

A part is split until it is small, and then solved as it is. The two that are cheapest are worked on
side by side, each with a solver of its own on a thread of its own (while it solves, others run),
and what comes of them is entered in their order when both are done: so the same programme gives
the same answer, however long each of them took.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from math import inf
from typing import NamedTuple

from busplan.allot.beside import both
from busplan.allot.covers import Cover
from busplan.allot.once import TOLERANCE, Once, free, rows_of
from busplan.allot.programme import Solved
from busplan.allot.solver import Relaxation
from busplan.allot.tree import Node, Tree
from busplan.frames.columns import F64

_FAR = 0.02
"""How far above the bound parts are looked through at once."""
_FEW = 0.4
"""Variables up to which a part is solved as it is, as a part of all."""
_PATIENCE = 1
"""Times in a row that a part may get no dearer by rows that it breaks."""
_HOPE = 0.02
"""How much dearer parts must be than when an answer above them was told, before the next is."""


class Done(NamedTuple):
    """What came of a part: the ``node`` as it was solved, and either its ``halves``, or the answer
    ``found`` in it as it is, or neither as it costs too much. ``told``: by each variable looked at.
    """

    node: Node
    halves: list[Node]
    told: dict[int, float]
    found: Solved | None = None


@dataclass
class Side:
    """One that works on parts; ``covers``: what it found that rows imply."""

    relaxation: Relaxation
    covers: list[Cover] = field(default_factory=list)


@dataclass
class Parts:
    """All parts of a ``tree``; ``beside`` makes the second solver when there are two of them.

    ``look``: asked once whether the relaxed solution of a part tells more of the programme.
    ``hoped``: what parts cost when an answer was last told that costs more than they do.
    ``covers``: what was found that rows imply.
    """

    once: Once
    tree: Tree
    first: Side
    beside: Callable[[], Relaxation]
    look: Callable[[F64], bool]
    hoped: float
    covers: list[Cover] = field(default_factory=list)
    _second: Side | None = None
    _goal: float = field(init=False)
    """Up to this all parts are looked through before dearer ones are."""
    _best: Solved = field(init=False)
    """The cheapest answer above that."""

    def __post_init__(self) -> None:
        self.first.relaxation.up_to(self.tree.most)
        self._goal = self.tree.bound
        useful = self.once.useful
        self._best = Solved(None, inf, self.once.above(useful), impossible=False)

    def cheapest(self) -> Solved | None:
        """The cheapest answer, or one that may be; ``None`` when a look at a part told more of the
        programme."""
        tree, looked = self.tree, False
        while (node := tree.pop()) is not None:
            if self.once.over():
                tree.put_back(node)
                return replace(self._best, bound=node.cost)
            if not looked:
                node = self._solved(node, self.first)
                self._share()
                if node.cost > min(tree.bound, tree.most):
                    tree.add(node.held, node.relaxed, node.cost)
                    continue
                if node.relaxed is not None and self.look(node.relaxed.x):
                    tree.put_back(node)
                    return None
                looked = True
            if self._ends_before(node):
                tree.put_back(node)
                return replace(self._best, bound=min(node.cost, self._best.cost))
            if self._entered(self._worked(node)):
                return replace(self._best, bound=min(tree.bound, self._best.cost))
        return replace(self._best, bound=min(self._best.bound, self._best.cost))

    def _ends_before(self, node: Node) -> bool:
        """Whether the best is known where the goal rises for a part."""
        useful = self.once.useful
        if node.cost < self._goal - TOLERANCE or self._goal >= useful:
            return False
        far = _FAR * max(node.cost, useful / 2)
        self._goal = node.cost + far if node.cost + 1.5 * far <= useful else useful
        return self._best.cost <= self._goal

    def _worked(self, node: Node) -> list[Done]:
        """What comes of a part, and of the next one if that costs no more than the goal."""
        other = self.tree.pop(self._goal + TOLERANCE)
        if other is None:
            done = [self._work(node, self.first)]
        else:
            if self._second is None:
                self._second = Side(self.beside())
                self._second.relaxation.up_to(self.tree.most)
            here = partial(self._work, node, self.first)
            done = [*both(here, partial(self._work, other, self._second))]
        self._share()
        return done

    def _work(self, node: Node, side: Side) -> Done:
        once, told = self.once, dict[int, float]()
        node = self._solved(node, side)
        if node.relaxed is None or node.cost > self._goal + TOLERANCE:
            return Done(node, [], told)
        if free(once.narrowed(node.relaxed, self._goal)) > _FEW * len(once.whole):
            halves = self.tree.split(node, side.relaxation, told)
            if halves:
                return Done(node, halves, told)
        return Done(node, [], told, once.among(node.relaxed, self._goal, node.held))

    def _solved(self, node: Node, side: Side) -> Node:
        if node.relaxed is not None:
            return node
        tightened = partial(self.once.tightened, known=side.covers, patience=_PATIENCE)
        return self.tree.solved(node, side.relaxation, tightened)

    def _share(self) -> None:
        """Tell each side what the other one found that rows imply."""
        sides = [self.first] if self._second is None else [self.first, self._second]
        for side, other in zip(sides, reversed(sides), strict=True):
            if side.covers and other is not side:
                other.relaxation.know(*rows_of(side.covers, side.relaxation.variables))
        for side in sides:
            self.covers += side.covers
            side.covers = []

    def _entered(self, done: list[Done]) -> bool:
        """Enter what came of parts; whether to end with the best so far."""
        ended = False
        for node, halves, told, found in done:
            self.tree.seen |= told
            if found is None:
                for part in halves or [node]:
                    self.tree.add(part.held, part.relaxed, part.cost)
                continue
            near = found.cost <= self._goal + TOLERANCE
            unfinished = found.bound < self._goal - TOLERANCE
            ended |= near or unfinished
            if near or unfinished or self._goal < self.once.useful:
                self.tree.add(node.held, node.relaxed, found.bound)
            if found.cost < self._best.cost:
                self._best = replace(found, bound=self._best.bound)
        return ended or self._hopes()

    def _hopes(self) -> bool:
        """Whether the best is worth a look though it costs more than the goal: what lies between
        may take long to look through, and it may lead to an answer that is right."""
        if self._best.answer is None or self._goal < self.hoped * (1 + _HOPE):
            return False
        if self.once.programme.rules_out(self._best.answer):
            return False
        self.hoped = self._goal
        return True
