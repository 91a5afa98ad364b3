"""A programme with whole numbers, solved once: relaxed, narrowed, and what is left of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from math import gcd, inf, lcm
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busplan.allot.covers import Cover, broken_covers, coverable
from busplan.allot.programme import Programme, Solved
from busplan.allot.solver import Linear, Relaxation, Relaxed, solved
from busplan.frames.columns import F64, I64

NOTHING: Mapping[int, float] = {}
TOLERANCE = 1e-6
_STALLED = 2e-2
"""The part of its cost by which the relaxed programme must get dearer in two rounds."""
_CHUNK_S = 20.0
"""Longest solution with whole numbers: nobody can stop one before its end."""
_CLOSE = 1e-4
"""The gap of a solution where answers of use are not told from others by a step."""
_EXACT = 1e-9
"""Nearer than this to a fraction a cost is that."""
_FINEST = 1_000
"""Costs that are not whole multiples of so small a part of 1 have no step."""


@dataclass(frozen=True)
class Once:
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
        self,
        relaxation: Relaxation,
        most: float,
        known: list[Cover] | None = None,
        patience: float = inf,
    ) -> Relaxed | None:
        """The relaxed programme, with what it would break of what its rows imply, until it costs
        more than ``most``; that is added to what is ``known``."""
        found = relaxation.solve(patience)
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
            relaxation.add(*rows_of(broken, len(self.linear.cost)))
            if known is not None:
                known += broken
            found = relaxation.solve(patience)
        return found

    def narrowed(self, relaxed: Relaxed, top: float) -> Linear:
        """Without what answers of at most ``top`` cannot have; the programme itself when that is
        nothing."""
        room = top - relaxed.cost + TOLERANCE
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
        found = solved(linear, self.whole, seconds, gap, self.useful + TOLERANCE)
        bound = inf if found.impossible else found.bound
        bound = max(least, min(bound, self.above(most)))
        if found.x is None or found.cost > self.useful + TOLERANCE:
            return Solved(None, inf, bound, impossible=found.impossible and most == inf)
        answer = self.programme.answer(found.x)
        return Solved(answer, found.cost, min(bound, found.cost), impossible=False)

    def above(self, top: float) -> float:
        """The least cost of an answer that costs more than ``top``."""
        if not self.step or top == inf:
            return top
        return float(np.floor(top / self.step + TOLERANCE) + 1) * self.step

    def rows(self, covers: Sequence[Cover]) -> tuple[Any, F64] | None:
        """Covers as rows, ``None`` without any."""
        return rows_of(covers, len(self.linear.cost)) if covers else None


def free(linear: Linear) -> int:
    """How many variables may be more than one value."""
    return int((linear.upper > linear.lower).sum())


def step_of(cost: F64) -> float:
    """Sums of whole multiples of these costs are multiples of this; 0 when they may be anything."""
    costs = [float(c) for c in np.unique(cost[cost != 0])]
    parts = [Fraction(c).limit_denominator(_FINEST) for c in costs]
    near = all(abs(float(part) - c) < _EXACT for part, c in zip(parts, costs, strict=True))
    if not parts or not near:
        return 0.0
    return float(Fraction(gcd(*(p.numerator for p in parts)), lcm(*(p.denominator for p in parts))))


def rows_of(covers: Sequence[Cover], variables: int) -> tuple[Any, F64]:
    """Covers as rows, and what each is at least."""
    from scipy.sparse import csr_matrix

    ends = np.cumsum([0, *(len(cover.variables) for cover in covers)])
    columns = np.concatenate([cover.variables for cover in covers])
    weights = np.concatenate([cover.weights for cover in covers])
    matrix = csr_matrix((weights, columns, ends), (len(covers), variables))
    return matrix, np.array([cover.least for cover in covers])
