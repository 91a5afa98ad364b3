"""The cheapest placement: the programme solved, judged and cut, until what it gives is in time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count

from busplan.allot import judge, narrow
from busplan.allot.demands import foreseen
from busplan.allot.fewest import Enough, Waited
from busplan.allot.judging import Judging
from busplan.allot.learnt import Cut, Demand
from busplan.allot.once import NOTHING
from busplan.allot.problem import Placement, Question, as_it_is, cost
from busplan.allot.programme import Programme, Solved
from busplan.frames.columns import F64

_LET_GO = 5e-3
"""The part of the cost that is let go where the programme is not small."""
_OTHER = 0.03
"""The same where another answer than the best is wanted: it need not be the second cheapest."""
_OTHER_ROUNDS = 3
"""Times the whole is solved for another answer: who waits has the best one already."""
_EXACT = 1e-6
_DIVES = 6
"""Times an answer is mended around the networks that miss, before the whole is solved again."""
_UNTIL_ONE = 24
"""The same as long as there is no answer at all."""
_WAITS = 3
"""Times in a row that only more identifiers must change, before the whole is asked which."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the whole plan says to an answer. ``changes``: how many identifiers change for it, at
    least, by network; ``changed``: how many do. ``late``: networks on which something misses."""

    changed: int = 0
    changes: dict[int, int] = field(default_factory=dict)
    late: tuple[int, ...] = ()


Accept = Callable[[Placement], Verdict]
Told = Callable[[float | None, float], None]
"""Told the cost of the best so far (``None``: none yet) and the bound."""


@dataclass(frozen=True, slots=True)
class Found:
    """``placement``: the best, ``None`` when none was found; ``bound``: none is cheaper.

    ``impossible``: there is none, proven; ``cuts``: what was learnt.
    """

    placement: Placement | None
    cost: float
    bound: float
    impossible: bool
    cuts: tuple[Cut, ...] = ()
    demands: tuple[Demand, ...] = ()

    @property
    def proven(self) -> bool:
        """Whether no cheaper one exists, but for what rounding and the gap of large ones let go."""
        return self.placement is not None and self.cost <= self.bound + 1e-6

    @property
    def gap(self) -> float:
        """How much cheaper another could be at most, as a part of the cost."""
        return max(0.0, self.cost - self.bound) / self.cost if self.cost > 0 else 0.0


def search(
    question: Question,
    accept: Accept = lambda answer: Verdict(),
    *,
    left: Callable[[], float] = lambda: 20.0,
    enough: Enough = lambda: False,
    refused: Sequence[str] = (),
    known: Found | None = None,
    other_than: Sequence[Placement] = (),
    dearest: float = float("inf"),
    begin: Placement | None = None,
    waited: Waited = lambda work: work(),
    told: Told = lambda best, bound: None,
) -> Found:
    """The cheapest placement that ``accept`` finds in time.

    ``left`` tells the seconds that are left, ``enough`` whether to stop; ``refused`` names choices
    that may not be taken (:meth:`Programme.choices`); ``known``: what was learnt before;
    ``other_than``: answers that are not looked for.
    ``dearest``: dearer ones are of no use. ``begin``: one that works, to begin with.
    """
    learnt = ([], []) if known is None else (list(known.cuts), list(known.demands))
    programme = Programme(question, *learnt)
    excluded = [programme.other_than(answer) for answer in other_than]
    if not all(excluded):
        return Found(None, float("inf"), 0.0, impossible=False)
    if dearest < float("inf"):
        programme.at_most(dearest)
    forbidden = programme.forbidden(refused)
    run = _Run(programme, accept, left, enough, forbidden, told, waited, excluded=bool(other_than))
    if not programme.rows.cost:  # there is nothing to choose
        begin = as_it_is(question)
    if begin is not None:
        run.keep(begin)
    return run.found(dearest)


@dataclass
class _Run:
    programme: Programme
    accept: Accept
    left: Callable[[], float]
    enough: Enough
    forbidden: list[int]
    told: Told
    waited: Waited
    excluded: bool = False
    """Whether known answers are ruled out, so that its bound is none of the question."""
    best: Placement | None = None
    cost: float = float("inf")
    hoped: list[tuple[Placement, float]] = field(default_factory=list)
    """Cheaper ones that are in time as far as the networks tell, the cheapest last: the whole plan,
    which takes long, is asked when no cheaper one is found."""
    bound: float = 0.0
    learnt: bool = False
    judging: Judging = field(init=False)
    narrowing: narrow.Narrow = field(init=False)

    def __post_init__(self) -> None:
        self.judging = Judging(self.programme.question, self.enough)
        self.narrowing = narrow.Narrow(
            self.programme, self.forbidden, self.left, self.enough, self._look
        )

    @property
    def gap(self) -> float:
        """The part of the cost that is let go."""
        if self.excluded:
            return _OTHER
        return _LET_GO if len(self.programme.rows.cost) > narrow.SMALL else _EXACT

    @property
    def below(self) -> float:
        """What an answer has to cost less than."""
        return self.hoped[-1][1] if self.hoped else self.cost

    def found(self, dearest: float) -> Found:
        impossible = False
        today = as_it_is(self.programme.question)
        self._judged(today)
        for k in range(len(today.rates)):
            for demand in foreseen(self.programme.question, today, k, self.judging.guests):
                self.programme.demand(demand)
        rounds = iter(range(_OTHER_ROUNDS)) if self.excluded else count()
        while True:
            impossible = self._cheapest(rounds, dearest)
            if self._as_hoped() or self.enough() or self.left() <= 0:
                break
        return Found(
            self.best,
            self.cost,
            min(self.bound, self.cost),
            impossible,
            tuple(self.programme.cuts),
            tuple(self.programme.demands),
        )

    def _cheapest(self, rounds: Iterator[int], dearest: float) -> bool:
        """Solve, judge and learn until nothing cheaper is left; whether there is none, proven."""
        gap = self.gap
        new = True
        for _ in rounds:
            if not self.programme.rows.cost or self.enough() or self.left() <= 0:
                break
            self._tell()
            solved = self._solve(gap, sound=not self.excluded, wider=not new)
            if solved.impossible:
                self.bound = self.cost if self.best else self.bound
                return self.best is None and not self.excluded
            self.bound = max(self.bound, solved.bound)
            if solved.answer is None or self.bound > dearest:
                break
            self._tell()
            if not self.excluded and self.programme.rules_out(solved.answer):
                if self._near():
                    break
                # Ruled out by what proves nothing for others: the next best one.
                solved = self._solve(gap, wider=not new)
            if solved.answer is None or solved.bound >= self.below * (1 - gap):
                break  # by what has been learnt, sound or not, nothing cheaper is left
            if solved.cost > self.below and self.left() <= 0:
                break  # ended before its time: it teaches nothing
            new = self._learn(solved.answer)
            if self._near():
                break
            if not new and solved.bound >= solved.cost * (1 - gap):
                break
        return False

    def _tell(self) -> None:
        self.told(None if self.best is None else self.cost, self.bound)

    def _solve(
        self,
        gap: float,
        fixed: Mapping[int, float] = NOTHING,
        *,
        sound: bool = False,
        wider: bool = False,
    ) -> Solved:
        """The cheapest answer that is cheaper than the best, or one that may be."""

        def work() -> Solved:
            below = self.below
            return self.narrowing.solve(gap, fixed=fixed, below=below, sound=sound, wider=wider)

        found: Solved | None = self.waited(work)
        return found or Solved(None, float("inf"), 0.0, impossible=False)

    def _near(self) -> bool:
        """Whether the best is so near to the bound that no more is asked for."""
        return self.best is not None and self.below <= self.bound + self.gap * self.below + _EXACT

    def _learn(self, answer: Placement) -> bool:
        """Judge an answer and those around it; whether there is anything new to solve with."""
        self.learnt = False
        late, waiting = self._judged(answer)
        if not late and not waiting:
            self.keep(answer)
            return self.learnt
        likely = None if late or self.best is not None else answer
        near: Placement | None = answer
        waits = 0
        for _ in range(_DIVES if self.best else _UNTIL_ONE):
            if near is None or self.enough() or self.left() <= 0:
                break
            solved = self._solve(self.gap, self._around(near, late | waiting))
            near = solved.answer
            if near is None or solved.cost >= self.below:
                break
            late, waiting = self._judged(near)
            if not late and not waiting:
                self.keep(near)
                break
            waits = 0 if late else waits + 1
            if waits > _WAITS and self.best is None:
                likely = near
                break
        if likely is not None and self.best is None:
            self.keep(likely)  # its identifiers may be found nevertheless
        return self.learnt

    def _judged(self, answer: Placement) -> tuple[set[int], set[int]]:
        """Networks that cannot be in time, and those on which more identifiers must change."""
        late: set[int] = set()
        waiting: set[int] = set()
        for k, one in self.judging.wrong(answer):
            self._add(one)
            (late if isinstance(one, Cut) else waiting).add(k)
        return late, waiting

    def _look(self, x: F64) -> bool:
        """Whether what is nearest to a relaxed solution teaches anything."""
        self.learnt = False
        self._judged(self.programme.answer(x))
        return self.learnt

    def _add(self, learnt: Cut | Demand) -> None:
        """What forbids an answer, for the programme."""
        add = (
            self.programme.add(learnt) if isinstance(learnt, Cut) else self.programme.demand(learnt)
        )
        self.learnt |= add

    def _around(self, answer: Placement, late: set[int]) -> dict[int, float]:
        """Units of networks that are in time stay where the answer has them."""
        place = self.programme.rows.place
        return {
            v: float(answer.where[i] == k)
            for (i, k), v in place.items()
            if answer.where[i] not in late
        }

    def keep(self, answer: Placement) -> None:
        """An answer in time as far as the networks tell: the whole plan is asked of the first at
        once, and of others when no cheaper one is found."""
        costs = self.programme.question.costs
        foreseen = cost(self.programme.question, answer) + len(answer.moved) * costs.identifier
        if self.best is None:
            self._ask(answer)
        elif foreseen < self.below:
            self.hoped.append((answer, foreseen))

    def _as_hoped(self) -> bool:
        """Ask the whole plan of what is hoped for, the cheapest first; false when it refuses that
        and says why, so that there is more to look for."""
        self.learnt = refused = False
        while self.hoped:
            answer, foreseen = self.hoped.pop()
            self._ask(answer)
            if self.cost <= foreseen + _EXACT:
                self.hoped.clear()
            else:
                refused = True
        return not (refused and self.learnt)

    def _ask(self, answer: Placement) -> None:
        """Ask the whole plan; what it says that the programme did not know is learnt."""
        question = self.programme.question
        verdict = self.accept(answer)
        total = cost(question, answer) + verdict.changed * question.costs.identifier
        if not verdict.late and total < self.cost:
            self.best, self.cost = answer, total
        for k, number in verdict.changes.items():
            if number > sum(answer.where[u] == k for u, _ in answer.moved):
                # Delays that gateways bring may be others elsewhere.
                sound = not any(c.network == k for c in answer.carried) and not question.fixed.get(
                    k
                )
                self.learnt |= self.programme.add(self._whole(answer, k, number, sound=sound))
        for k in verdict.late:
            self.learnt |= self.programme.add(self._whole(answer, k, 0, sound=False))

    def _whole(self, answer: Placement, network: int, changes: int, *, sound: bool) -> Cut:
        """All that is on a network, as a cut."""
        question = self.programme.question
        there = judge.members(question, answer, network)
        units = tuple((m.unit, m.option) for m in there if m.message is None)
        brought = tuple(judge.carried(question, there, own=True))
        return Cut(units, brought, answer.rates[network], changes, network, sound)
