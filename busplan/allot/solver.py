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

_OPTIONS = {"output_flag": False, "threads": 1}


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
    linear: Linear, whole: Sequence[bool] | NDArray[np.bool_], seconds: float, gap: float = 1e-4
) -> Solution:
    """The least cost where the numbers said are whole.

    ``seconds``: longest time by the clock; ``gap``: the part of the cost that is let go.
    """
    highspy = _highspy()
    solver = _passed(linear)
    numbers = np.flatnonzero(np.asarray(whole)).astype(np.int32)
    kinds = np.full(len(numbers), highspy.HighsVarType.kInteger)
    solver.changeColsIntegrality(len(numbers), numbers, kinds)
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
    """Where a solution ended: the state of each variable, each row, and each row added to them."""

    variables: list[Any]
    rows: list[Any]
    added: list[Any]


class Relaxation:
    """A linear programme without whole numbers, solved again with rows added to its own.

    ``begin``: where a solution ended of the same programme with fewer variables and rows.
    """

    def __init__(
        self, linear: Linear, added: tuple[Any, F64] | None = None, begin: Basis | None = None
    ) -> None:
        self._solver = _passed(linear)
        self._linear = linear
        self._rows, self._variables = linear.matrix.shape
        self._added = 0
        self._held: dict[int, float] = {}
        if added is not None:
            self.add(*added)
        if begin is not None:
            self._begin(begin)

    def _begin(self, begin: Basis) -> None:
        highspy = _highspy()
        state = highspy.HighsBasisStatus
        basis = highspy.HighsBasis()
        more = [state.kLower] * (self._variables - len(begin.variables))
        basis.col_status = [*begin.variables, *more]
        more = [state.kBasic] * (self._rows - len(begin.rows))
        last = [state.kBasic] * (self._added - len(begin.added))
        basis.row_status = [*begin.rows, *more, *begin.added, *last]
        basis.valid = True
        self._solver.setBasis(basis)

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
        self._added += len(least)
        self._solver.addRows(
            len(least),
            least,
            np.full(len(least), np.inf),
            rows.nnz,
            rows.indptr[:-1].astype(np.int32),
            rows.indices.astype(np.int32),
            rows.data,
        )

    def solve(self) -> Relaxed | None:
        """The least cost, infinite when there is none; ``None`` when it was not found."""
        status = _highspy().HighsModelStatus
        self._solver.run()
        if self._solver.getModelStatus() == status.kInfeasible:
            return Relaxed(np.zeros(0), np.inf, np.zeros(0))
        if self._solver.getModelStatus() != status.kOptimal:
            return None
        found = self._solver.getSolution()
        cost = float(self._solver.getInfo().objective_function_value)
        return Relaxed(np.array(found.col_value), cost, np.array(found.col_dual))

    def end(self) -> tuple[Basis, list[bool]]:
        """Where the last solution ended, with those of the rows added that are tight, and which
        these are."""
        basis = self._solver.getBasis()
        rows = list(basis.row_status)
        basic = _highspy().HighsBasisStatus.kBasic
        tight = [state != basic for state in rows[self._rows :]]
        added = [state for state in rows[self._rows :] if state != basic]
        return Basis(list(basis.col_status), rows[: self._rows], added), tight


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
