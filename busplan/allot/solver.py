"""Linear programmes, with whole numbers and without: HiGHS, through highspy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplan.allot.quiet import quiet_libraries
from busplan.frames.columns import F64

_OPTIONS = {"output_flag": False, "threads": 1, "simplex_scale_strategy": 0}
_NONE = np.zeros(0)
_BREAKS = 1e-7
"""By how much a row is broken that the solver is told of; it works no more exactly itself."""


class Linear(NamedTuple):
    """The least ``cost`` with ``low <= matrix @ x <= high`` and ``lower <= x <= upper``.

    ``matrix`` is a :class:`scipy.sparse.csr_matrix`.
    """

    cost: F64
    matrix: Any
    low: F64
    high: F64
    lower: F64
    upper: F64


@dataclass(frozen=True, slots=True)
class Solution:
    """``x`` is ``None`` when none was found; ``bound``: none costs less; ``impossible``: there is
    none, proven."""

    x: F64 | None
    cost: float
    bound: float
    impossible: bool = False


@dataclass(frozen=True, slots=True)
class Relaxed:
    """The least cost when no number has to be whole, and what it says of each variable.

    ``reduced``: by how much the least cost rises at least for each unit that a variable moves away
    from the end of its range at which it is (negative where that is the upper end).
    """

    x: F64
    cost: float
    reduced: F64


def solved(
    linear: Linear,
    whole: Sequence[bool] | NDArray[np.bool_],
    seconds: float,
    gap: float = 1e-4,
    most: float = np.inf,
) -> Solution:
    """The least cost where the numbers said are whole.

    ``seconds``: longest time by the clock; ``gap``: the part of the cost that is let go; ``most``:
    what costs more counts as none.
    """
    highspy = _highspy()
    solver = _passed(linear)
    numbers = np.flatnonzero(np.asarray(whole)).astype(np.int32)
    kinds = np.full(len(numbers), highspy.HighsVarType.kInteger)
    solver.changeColsIntegrality(len(numbers), numbers, kinds)
    if most < np.inf:
        priced = np.flatnonzero(linear.cost).astype(np.int32)
        solver.addRow(-np.inf, most, len(priced), priced, linear.cost[priced])
    solver.setOptionValue("time_limit", max(seconds, 0.1))
    solver.setOptionValue("mip_rel_gap", gap)
    solver.run()
    info = solver.getInfo()
    impossible = solver.getModelStatus() == highspy.HighsModelStatus.kInfeasible
    bound = float(info.mip_dual_bound)
    bound = bound if np.isfinite(bound) else 0.0
    if impossible or info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        return Solution(None, np.inf, bound, impossible)
    cost = float(info.objective_function_value)
    return Solution(np.array(solver.getSolution().col_value), cost, min(bound, cost))


class Basis(NamedTuple):
    """Where a solution ended: the state of each variable, of the rows that held it (by number), and
    of those among the rows added."""

    variables: list[Any]
    rows: dict[int, Any]
    added: list[Any]


class Relaxation:
    """A linear programme without whole numbers, solved again with rows added to its own.

    Of all rows few hold a solution. The solver knows those only that a solution has broken: all
    rows hold in what is given, and what is said of the variables holds with all of them, too.

    ``begin``: where a solution ended of the same programme with fewer variables and rows, the first
    of those ``added`` among them.
    ``variables``: how many there are.
    """

    def __init__(
        self, linear: Linear, added: tuple[Any, F64] | None = None, begin: Basis | None = None
    ) -> None:
        self._linear = linear
        self._own, self.variables = linear.matrix.shape
        self._matrix, self._low, self._high = linear.matrix, linear.low, linear.high
        self._solver = _passed(linear._replace(matrix=self._matrix[:0], low=_NONE, high=_NONE))
        self._known: list[int] = []
        """Rows that the solver knows, in its order."""
        self._left = np.isfinite(self._low) | np.isfinite(self._high)
        """Rows that it does not know."""
        self._held: dict[int, float] = {}
        if begin is not None:
            self._take([row for row in begin.rows if self._left[row]])
        if added is not None:
            self.know(*added)
            self._take(range(self._own, self._own + len(begin.added if begin else added[1])))
        if begin is not None:
            self._begin(begin)

    def _begin(self, begin: Basis) -> None:
        highspy = _highspy()
        state = highspy.HighsBasisStatus
        basis = highspy.HighsBasis()
        more = [state.kLower] * (self.variables - len(begin.variables))
        basis.col_status = [*begin.variables, *more]
        states = begin.rows | dict(enumerate(begin.added, self._own))
        basis.row_status = [states.get(row, state.kBasic) for row in self._known]
        basis.valid = True
        self._solver.setBasis(basis)

    def up_to(self, most: float) -> None:
        """Of what costs more only that is wanted: it is told as an infinite cost."""
        self._solver.setOptionValue("objective_bound", most)

    def mark(self) -> Any:
        """Where the last solution ended, to go back there."""
        return self._solver.getBasis()

    def back_to(self, mark: Any) -> None:
        """Begin the next solution there. No row may have been added since."""
        self._solver.setBasis(mark)

    def hold(self, held: Mapping[int, float]) -> None:
        """These variables at these values, and no others."""
        for v in [v for v in self._held if v not in held]:
            del self._held[v]
            self._solver.changeColBounds(v, self._linear.lower[v], self._linear.upper[v])
        for v, value in held.items():
            if self._held.get(v) != value:
                self._held[v] = value
                self._solver.changeColBounds(v, value, value)

    def add(self, rows: Any, least: F64) -> None:
        """More rows (:class:`scipy.sparse.csr_matrix`), and what each is at least."""
        first = len(self._low)
        self.know(rows, least)
        self._take(range(first, len(self._low)))

    def know(self, rows: Any, least: F64) -> None:
        """The same, of which the solver is told when a solution breaks them."""
        from scipy.sparse import vstack

        self._matrix = vstack([self._matrix, rows], format="csr")
        self._low = np.concatenate([self._low, least])
        self._high = np.concatenate([self._high, np.full(len(least), np.inf)])
        self._left = np.concatenate([self._left, np.ones(len(least), dtype=bool)])

    def _take(self, rows: Sequence[int] | NDArray[np.intp]) -> None:
        """Let the solver know these rows."""
        taken = self._matrix[rows]
        self._known += [int(row) for row in rows]
        self._left[rows] = False
        self._solver.addRows(
            len(rows),
            self._low[rows],
            self._high[rows],
            taken.nnz,
            taken.indptr[:-1].astype(np.int32),
            taken.indices.astype(np.int32),
            taken.data,
        )

    def solve(self, patience: float = np.inf) -> Relaxed | None:
        """The least cost, infinite when there is none; ``None`` when it was not found.

        ``patience``: times in a row that it may get no dearer by rows that were broken. It is at
        least so much then, and what it says of the variables holds, too.
        """
        status = _highspy().HighsModelStatus
        cost, stalled = -np.inf, 0
        while True:
            self._solver.run()
            state = self._solver.getModelStatus()
            if state in (status.kInfeasible, status.kObjectiveBound):
                return Relaxed(np.zeros(0), np.inf, np.zeros(0))
            if state == status.kOptimal:
                before, cost = cost, float(self._solver.getInfo().objective_function_value)
                stalled = stalled + 1 if cost <= before + _BREAKS else 0
                found = self._solver.getSolution()
                x = np.array(found.col_value)
                more = self._broken(x)
                if not len(more) or stalled >= patience:
                    return Relaxed(x, cost, np.array(found.col_dual))
            else:
                more = np.flatnonzero(self._left)
                if not len(more):
                    return None
            self._take(more)

    def _broken(self, x: F64) -> NDArray[np.intp]:
        """Rows that the solver does not know and ``x`` breaks."""
        does = self._matrix @ x
        broken = (does < self._low - _BREAKS) | (does > self._high + _BREAKS)
        return np.flatnonzero(broken & self._left)

    def end(self) -> tuple[Basis, list[bool]]:
        """Where the last solution ended, with those of the rows that are tight, and which of the
        rows added these are."""
        basis = self._solver.getBasis()
        basic = _highspy().HighsBasisStatus.kBasic
        states = dict(zip(self._known, basis.row_status, strict=True))
        rows = {row: s for row, s in states.items() if row < self._own and s != basic}
        last = [states.get(row, basic) for row in range(self._own, len(self._low))]
        added = [state for state in last if state != basic]
        return Basis(list(basis.col_status), rows, added), [state != basic for state in last]


def _passed(linear: Linear) -> Any:
    highspy = _highspy()
    solver = highspy.Highs()
    for name, value in _OPTIONS.items():
        solver.setOptionValue(name, value)
    model = highspy.HighsLp()
    model.num_row_, model.num_col_ = linear.matrix.shape
    model.col_cost_, model.col_lower_, model.col_upper_ = linear.cost, linear.lower, linear.upper
    model.row_lower_, model.row_upper_ = linear.low, linear.high
    model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    model.a_matrix_.start_ = linear.matrix.indptr
    model.a_matrix_.index_ = linear.matrix.indices
    model.a_matrix_.value_ = linear.matrix.data
    solver.passModel(model)
    return solver


@cache
def _highspy() -> Any:
    """The library; the first programme of a process writes a notice, which is dropped."""
    with quiet_libraries():
        highspy: Any = import_module("highspy")
        highspy.Highs()
    return highspy
