"""Small networks for the search of identifiers, and every order of them tried one by one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from itertools import combinations, pairwise, permutations
from typing import Any

from hypothesis import strategies as st

from busplan.timing.queue_model import QueueModel, Status
from support.slow_timing import instances_of


@dataclass(frozen=True)
class Case:
    """A network in order of arbitration; times in whole units."""

    frame: tuple[int, ...]
    period: tuple[int, ...]
    jitter: tuple[int, ...]
    deadline: tuple[int, ...]
    may_change: tuple[bool, ...]
    equal: tuple[int, ...]
    """Messages of one number share an identifier; ascending."""
    fault_every: int = 0
    bit: int = 1
    fault_cost: int = 5

    @property
    def n(self) -> int:
        return len(self.frame)

    def model(self) -> QueueModel:
        n = self.n
        upto = [max(k for k in range(n) if self.equal[k] == self.equal[i]) + 1 for i in range(n)]
        anything: Any = (None,) * n
        return QueueModel(
            streams=anything,
            status=(Status.PROVEN,) * n,
            part=(False,) * n,
            upto=upto,
            single=list(self.frame),
            frame=list(self.frame),
            period=list(self.period),
            jitter=list(self.jitter),
            inherited=[0] * n,
            deadline=list(self.deadline),
            queue=[-1] * n,
            spaced=(False,) * n,
            rhythm=[-1] * n,
            offset=[0] * n,
            sessions=(),
            load=0.0,
            bit=self.bit,
            fault_cost=self.fault_cost,
        )

    def slow(self) -> Callable[[int, frozenset[int]], bool]:
        """Whether a message is in time below a set of others, by the slow analysis."""

        @cache
        def fine(i: int, above: frozenset[int]) -> bool:
            order = [*above, i, *(k for k in range(self.n) if k not in above and k != i)]

            def pick(values: Sequence[int]) -> list[Fraction]:
                return [Fraction(values[k]) for k in order]

            found = instances_of(
                len(above),
                pick(self.frame),
                pick(self.period),
                pick(self.jitter),
                Fraction(self.bit),
                Fraction(self.fault_every) if self.fault_every else None,
                Fraction(self.fault_cost),
            )
            return found is not None and max(found) <= self.deadline[i]

        return fine

    def fewest(self) -> int | None:
        """The fewest changes, by trying all orders; ``None``: impossible."""
        fine = self.slow()
        orders = [
            {i: place for place, i in enumerate(order)}
            for order in permutations(range(self.n))
            if all(fine(i, frozenset(order[:place])) for place, i in enumerate(order))
        ]
        may = [i for i in range(self.n) if self.may_change[i]]
        for count in range(len(may) + 1):
            for changed in combinations(may, count):
                kept = [i for i in range(self.n) if i not in changed]
                if len({self.equal[i] for i in kept}) < len(kept):
                    continue
                pairs = list(pairwise(kept))
                if any(all(place[a] < place[b] for a, b in pairs) for place in orders):
                    return count
        return None


@st.composite
def cases(draw: st.DrawFn, most: int = 6) -> Case:
    """Networks of up to ``most`` messages, many of them in trouble."""
    n = draw(st.integers(2, most))
    frame = [draw(st.integers(2, 20)) for _ in range(n)]
    period = [draw(st.sampled_from([50, 80, 100, 150, 200, 400])) for _ in range(n)]
    equal = list(range(n))
    if draw(st.integers(0, 3)) == 0:
        twin = draw(st.integers(0, n - 2))
        equal = [i - (i > twin) for i in range(n)]
    return Case(
        tuple(frame),
        tuple(period),
        tuple(draw(st.sampled_from([0, 0, 0, 3, 30])) for _ in range(n)),
        tuple(draw(st.sampled_from([p, p, p // 2, p // 3])) for p in period),
        tuple(draw(st.sampled_from([True, True, False])) for _ in range(n)),
        tuple(equal),
        draw(st.sampled_from([0, 0, 500])),
    )
