"""Small programmes of 0 or 1 whose cheapest answer is found by trying all."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from itertools import product
from types import SimpleNamespace

import numpy as np
from hypothesis import strategies as st
from scipy.sparse import csr_matrix

from busplan.allot.solver import Linear
from busplan.frames.columns import F64, I64


@dataclass
class Made:
    """Rows of 0 or 1, in the place of a :class:`Programme`; an answer is what the variables are."""

    cost: F64
    matrix: F64
    low: F64
    unproven: list[int] = field(default_factory=list)

    @property
    def rows(self) -> SimpleNamespace:
        return SimpleNamespace(whole=[True] * len(self.cost))

    def linear(
        self, fixed: Mapping[int, float], forbidden: Iterable[int] = (), *, sound: bool = False
    ) -> Linear:
        lower, upper = np.zeros(len(self.cost)), np.ones(len(self.cost))
        for v, value in fixed.items():
            lower[v] = upper[v] = value
        upper[list(forbidden)] = 0.0
        low = self.low.copy()
        if sound:
            low[self.unproven] = -np.inf
        return Linear(
            self.cost, csr_matrix(self.matrix), low, np.full(len(low), np.inf), lower, upper
        )

    def answer(self, x: F64) -> tuple[int, ...]:
        return tuple(int(one) for one in np.round(x))

    def rules_out(self, answer: tuple[int, ...]) -> bool:
        """Nothing that the rows do not say."""
        return False

    def pools(self) -> tuple[list[I64], I64]:
        third = len(self.cost) // 3
        return [np.arange(third), np.arange(third, 2 * third)], np.arange(len(self.cost))

    def cheapest(self, *, proven: Collection[int] | None = None) -> float:
        """By trying all; with these rows only, when they are given."""
        used = list(range(len(self.low))) if proven is None else list(proven)
        return min(
            (
                float(self.cost @ whole)
                for whole in map(np.array, product((0, 1), repeat=len(self.cost)))
                if (self.matrix[used] @ whole >= self.low[used]).all()
            ),
            default=np.inf,
        )


@st.composite
def made(draw: st.DrawFn) -> Made:
    """A few rows in which some bring far more than is wanted; costs of tenths or of anything."""
    n = draw(st.integers(3, 9))
    weights = st.sampled_from([0, 0, 1, 1, 2, 3, 5, 40, -1, -2])
    matrix = [
        draw(st.lists(weights, min_size=n, max_size=n)) for _ in range(draw(st.integers(1, 5)))
    ]
    low = [draw(st.integers(-2, 9)) for _ in matrix]
    tenths = draw(st.lists(st.integers(0, 30), min_size=n, max_size=n))
    odd = draw(st.booleans())
    cost = np.array(tenths, float) * (np.pi / 10 if odd else 0.1)
    unproven = [0] if draw(st.booleans()) else []
    return Made(cost, np.array(matrix, float), np.array(low, float), unproven)
