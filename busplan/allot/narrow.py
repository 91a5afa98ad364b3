"""The cheapest answer of a programme, looked for first among what its relaxation leaves.

Solved without whole numbers, a programme says of each variable how much dearer every answer is in
which it is otherwise. So in all answers that cost at most so much more than that solution most
variables are known, and the rest is a small programme. What it gives is the cheapest of all if it
costs no more than that; if not, there is none at that cost, and it is looked for further up.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property, partial
from math import gcd, inf, lcm
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busplan.allot.covers import Cover, broken_covers, coverable
from busplan.allot.programme import Programme, Solved
from busplan.allot.solver import Basis, Linear, Relaxation, Relaxed, solved
from busplan.allot.tree import Part, Tree
from busplan.frames.columns import F64, I64

NOTHING: Mapping[int, float] = {}
_FIRST = 0.01
"""How far above the relaxed cost is looked first, as a part of it."""
_AROUND = 0.02
"""The same where most is known already."""
_FAR = 0.02
"""How far above it parts are looked through at once."""
_WIDER = 2.0
SMALL = 3_000
"""Variables up to which a programme is solved as it is."""
_FEW = 0.3
"""The same of a part, as a part of all variables."""
_LOOKS = 3
"""Times in a row that the programme is solved anew with what a look at a part told."""
_STALLED = 5e-3
"""The part of its cost by which the relaxed programme must get dearer in two rounds."""
_CHUNK_S = 20.0
"""Longest solution with whole numbers: nobody can stop one before its end."""
_TOLERANCE = 1e-6
_CLOSE = 1e-4
"""The gap of a solution where answers of use are not told from others by a step."""
_EXACT = 1e-9
"""Nearer than this to a fraction a cost is that."""
_FINEST = 1_000
"""Costs that are not whole multiples of so small a part of 1 have no step."""


def _nothing(x: F64) -> bool:
    return False


@dataclass
class Narrow:
    """A programme that is solved again and again, each time with more rows.

    ``left`` tells the seconds that are left, ``enough`` whether to end with what is known;
    ``covers``: what its proven rows imply; ``width``: how far above the relaxed cost is looked.
    """

    programme: Programme
    forbidden: Sequence[int] = ()
    left: Callable[[], float] = lambda: inf
    enough: Callable[[], bool] = lambda: False
    look: Callable[[F64], bool] = _nothing
    covers: list[Cover] = field(default_factory=list)
    width: float = 0.0
    _ended: Basis | None = None
    _parts: Sequence[Part] = ()
    """What was left of the whole, for answers of at most ``_useful``."""
    _useful: float = inf
    _looks: int = 0
    _seen: dict[int, float] = field(default_factory=dict)

    def solve(
        self,
        gap: float,
        *,
        fixed: Mapping[int, float] = NOTHING,
        below: float = inf,
        sound: bool = False,
        wider: bool = False,
    ) -> Solved:
        """The cheapest answer, or one that may be: ``bound`` tells.

        ``below``: dearer ones than so much less ``gap`` are of no use, and none is given then where
        the programme is not small.
        ``fixed`` holds variables at a value. ``sound``: by what is proven only; ``wider``: look
        further than the last time.
        """
        linear = self.programme.linear(fixed, self.forbidden, sound=sound)
        step = step_of(linear.cost)
        small = len(linear.cost) <= SMALL
        useful = inf if small or below == inf else below - max(gap * below, step, 2 * _TOLERANCE)
        one = _One(self.programme, linear, useful, step, gap, self._over, self.left)
        if small:
            return one.solved(linear, inf)
        relaxation = Relaxation(linear, one.rows(self.covers), self._ended)
        whole = not fixed and useful < inf
        if whole and self._parts and useful <= self._useful:
            return self._wholly(one, relaxation, self._parts, gap, below, sound=sound)
        relaxed = one.tightened(relaxation, inf, self.covers)
        if relaxed is None:
            return one.solved(linear, inf)
        if not fixed:
            self._ended, tight = relaxation.end()
            self.covers = [cover for cover, its in zip(self.covers, tight, strict=True) if its]
        if relaxed.cost == inf:
            return Solved(None, inf, inf, impossible=True)
        if relaxed.cost > useful + _TOLERANCE:
            return Solved(None, inf, max(relaxed.cost, one.above(useful)), impossible=False)
        if whole:
            return self._wholly(one, relaxation, [Part(relaxed.cost, {})], gap, below, sound=sound)
        width = max((_AROUND if fixed else _FIRST) * relaxed.cost, step)
        if not fixed:
            width = self.width = max(width, self.width * (_WIDER if wider else 1.0))
        while True:
            top = min(relaxed.cost + width, useful)
            found = one.among(relaxed, top)
            if found.answer is not None or found.impossible or found.bound > useful:
                return found
            if top >= useful or self._over():
                return found
            width = width * _WIDER if useful == inf and width < relaxed.cost else inf

    def _over(self) -> bool:
        return self.enough() or self.left() <= 0

    def _wholly(
        self,
        one: _One,
        relaxation: Relaxation,
        parts: Sequence[Part],
        gap: float,
        below: float,
        *,
        sound: bool,
    ) -> Solved:
        """By parts, of which what is left is kept for the next time; anew when more is known.

        By what proves nothing less is left, which is not kept.
        """
        tightened = partial(one.tightened, known=self.covers if sound else [])
        most = one.useful + _TOLERANCE
        tree = Tree(relaxation, tightened, *self.programme.pools(), most, self._seen)
        tree.again(parts)
        self._looks = self._looks - 1 if self._looks else _LOOKS
        found = self._among_parts(one, tree, self.look if sound and self._looks else _nothing)
        if sound:
            self._parts, self._useful = tree.parts(), one.useful
        if found is None:
            return self.solve(gap, below=below, sound=sound)
        self._looks = 0
        return found

    def _among_parts(self, one: _One, tree: Tree, look: Callable[[F64], bool]) -> Solved | None:
        """All parts up to a cost not far above, then up to the next; ``None`` when a look at one
        told more of the programme."""
        goal = tree.bound
        far = _FAR * max(goal, one.useful / 2)
        best = Solved(None, inf, one.above(one.useful), impossible=False)
        while (node := tree.pop()) is not None:
            if self._over():
                tree.add(node.held, node.relaxed, node.cost)
                return replace(best, bound=node.cost)
            if look(node.relaxed.x):
                tree.add(node.held, node.relaxed, node.cost)
                return None
            look = _nothing
            if node.cost >= goal - _TOLERANCE and goal < one.useful:
                goal = node.cost + far
                if goal + far / 2 > one.useful:
                    goal = one.useful
                if best.cost <= goal:
                    tree.add(node.held, node.relaxed, node.cost)
                    return replace(best, bound=min(node.cost, best.cost))
            few = _FEW * len(one.whole)
            if _free(one.narrowed(node.relaxed, goal)) > few and tree.split(node):
                continue
            found = one.among(node.relaxed, goal, node.held)
            near = found.cost <= goal + _TOLERANCE
            over = found.bound < goal - _TOLERANCE and not near  # its time
            if near or over or goal < one.useful:
                tree.add(node.held, node.relaxed, found.bound)
            elif found.answer is not None:
                tree.aside.append(Part(found.bound, node.held))
            if near:
                return replace(found, bound=min(tree.bound, found.cost))
            if over:
                return replace(best, bound=tree.bound)
            if found.cost < best.cost:
                best = replace(found, bound=best.bound)
        return replace(best, bound=min(best.bound, best.cost))


@dataclass(frozen=True)
class _One:
    """A programme as it is solved once; answers of at most ``useful`` are looked for."""

    programme: Programme
    linear: Linear
    useful: float
    step: float
    gap: float
    over: Callable[[], bool]
    left: Callable[[], float]

    @cached_property
    def whole(self) -> NDArray[np.bool_]:
        """Which variables are whole numbers."""
        return np.array(self.programme.rows.whole)

    @cached_property
    def _proven(self) -> tuple[F64, F64]:
        """What rows are at least and at most, those left out that prove nothing."""
        low, high = self.linear.low.copy(), self.linear.high.copy()
        low[self.programme.unproven], high[self.programme.unproven] = -inf, inf
        return low, high

    @cached_property
    def _coverable(self) -> I64:
        """Rows that may imply something for whole numbers."""
        return coverable(self.linear.matrix, (self.linear.upper <= 1) & self.whole)

    def tightened(
        self, relaxation: Relaxation, most: float, known: list[Cover] | None = None
    ) -> Relaxed | None:
        """The relaxed programme, with what it would break of what its rows imply, until it costs
        more than ``most``; that is added to what is ``known``."""
        found = relaxation.solve()
        costs = [-inf, -inf]
        while found is not None and found.cost <= most and found.cost < inf:
            costs.append(found.cost)
            if found.cost <= costs[-3] * (1 + _STALLED) or self.over():
                break
            broken = list(
                broken_covers(self.linear.matrix, *self._proven, self._coverable, found.x)
            )
            if not broken:
                break
            relaxation.add(*_rows(broken, len(self.linear.cost)))
            if known is not None:
                known += broken
            found = relaxation.solve()
        return found

    def narrowed(self, relaxed: Relaxed, top: float) -> Linear:
        """Without what answers of at most ``top`` cannot have; the programme itself when that is
        nothing."""
        room = top - relaxed.cost + _TOLERANCE
        at_most, at_least = self.linear.upper.copy(), self.linear.lower.copy()
        out = self.whole & (relaxed.reduced > room)
        at_most[out] = at_least[out]
        held = self.whole & (relaxed.reduced < -room)
        at_least[held] = at_most[held]
        if not (out | held).any():
            return self.linear
        return self.linear._replace(lower=at_least, upper=at_most)

    def among(self, relaxed: Relaxed, top: float, held: Mapping[int, float] = NOTHING) -> Solved:
        """The cheapest answer where one of at most ``top`` must be, as far as it is of use."""
        linear = self.narrowed(relaxed, top)
        everything = linear is self.linear
        if held:
            at, values = list(held), list(held.values())
            lower, upper = linear.lower.copy(), linear.upper.copy()
            lower[at] = upper[at] = values
            linear = linear._replace(lower=lower, upper=upper)
        return self.solved(linear, inf if everything else top, relaxed.cost)

    def solved(self, linear: Linear, top: float, least: float = 0.0) -> Solved:
        """One in which all answers of at most ``top`` are; none costs less than ``least``."""
        gap = self.gap
        if self.useful < inf:  # close enough to tell dearer ones from those of use
            gap = min(gap, self.step / (self.useful + self.step)) if self.step else _CLOSE
        seconds = min(self.left(), _CHUNK_S)
        most = min(top, self.useful)
        found = solved(linear, self.whole, seconds, gap, self.useful + _TOLERANCE)
        bound = inf if found.impossible else found.bound
        bound = max(least, min(bound, self.above(most)))
        if found.x is None or found.cost > self.useful + _TOLERANCE:
            return Solved(None, inf, bound, impossible=found.impossible and most == inf)
        answer = self.programme.answer(found.x)
        return Solved(answer, found.cost, min(bound, found.cost), impossible=False)

    def above(self, top: float) -> float:
        """The least cost of an answer that costs more than ``top``."""
        if not self.step or top == inf:
            return top
        return float(np.floor(top / self.step + _TOLERANCE) + 1) * self.step

    def rows(self, covers: Sequence[Cover]) -> tuple[Any, F64] | None:
        """Covers as rows, ``None`` without any."""
        return _rows(covers, len(self.linear.cost)) if covers else None


def _free(linear: Linear) -> int:
    return int((linear.upper > linear.lower).sum())


def step_of(cost: F64) -> float:
    """Sums of whole multiples of these costs are multiples of this; 0 when they may be anything."""
    costs = [float(c) for c in np.unique(cost[cost != 0])]
    parts = [Fraction(c).limit_denominator(_FINEST) for c in costs]
    near = all(abs(float(part) - c) < _EXACT for part, c in zip(parts, costs, strict=True))
    if not parts or not near:
        return 0.0
    return float(Fraction(gcd(*(p.numerator for p in parts)), lcm(*(p.denominator for p in parts))))


def _rows(covers: Sequence[Cover], variables: int) -> tuple[Any, F64]:
    """Covers as rows, and what each is at least."""
    from scipy.sparse import csr_matrix

    ends = np.cumsum([0, *(len(cover.variables) for cover in covers)])
    columns = np.concatenate([cover.variables for cover in covers])
    weights = np.concatenate([cover.weights for cover in covers])
    matrix = csr_matrix((weights, columns, ends), (len(covers), variables))
    return matrix, np.array([cover.least for cover in covers])
