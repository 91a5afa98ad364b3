"""Relaxed programmes whose rows the solver learns one by one, against SciPy, told all at once."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.sparse import csr_matrix

from busplan.allot.solver import Linear, Relaxation, solved
from busplan.frames.columns import F64


@st.composite
def programmes(draw: st.DrawFn) -> Linear:
    """Rows with both ends, one or none, that may hold nothing or exclude each other."""
    n = draw(st.integers(2, 7))
    rows = draw(st.integers(1, 12))
    weights = st.sampled_from([0, 0, 1, 1, 2, 7, -1, -3])
    matrix = [draw(st.lists(weights, min_size=n, max_size=n)) for _ in range(rows)]
    low = np.array([draw(st.sampled_from([-np.inf, -2, 0, 1, 3])) for _ in matrix], float)
    above = np.array([draw(st.sampled_from([0, 1, 4, np.inf])) for _ in matrix], float)
    high = np.where(np.isinf(low), 0, low) + above
    cost = np.array(draw(st.lists(st.integers(0, 30), min_size=n, max_size=n)), float) / 10
    return Linear(cost, csr_matrix(np.array(matrix, float)), low, high, np.zeros(n), np.ones(n))


def by_scipy(linear: Linear) -> float:
    """The least cost, infinite without any."""
    matrix = linear.matrix.toarray()
    below, above = np.isfinite(linear.low), np.isfinite(linear.high)
    found = linprog(
        linear.cost,
        np.vstack([-matrix[below], matrix[above], np.zeros((1, matrix.shape[1]))]),
        np.concatenate([-linear.low[below], linear.high[above], [0.0]]),
        bounds=np.column_stack([linear.lower, linear.upper]),
    )
    return float(found.fun) if found.success else np.inf


def whole_numbers(linear: Linear) -> list[F64]:
    """All whole answers."""
    found = []
    for x in map(np.array, product((0, 1), repeat=len(linear.cost))):
        does = linear.matrix @ x
        inside = (linear.lower <= x).all() and (x <= linear.upper).all()
        if inside and (linear.low <= does).all() and (does <= linear.high).all():
            found.append(x)
    return found


@given(linear=programmes(), known=st.integers(0, 12), data=st.data())
@settings(max_examples=150)
def test_the_least_cost_with_rows_told_one_by_one(
    linear: Linear, known: int, data: st.DataObject
) -> None:
    """Also begun where one with fewer rows ended, held, let go again, and with rows added."""
    part = linear._replace(
        matrix=linear.matrix[:known], low=linear.low[:known], high=linear.high[:known]
    )
    first = Relaxation(part)
    first.solve()
    relaxation = Relaxation(linear, begin=first.end()[0])
    at, value = data.draw(st.integers(0, len(linear.cost) - 1)), data.draw(st.booleans())
    held = linear._replace(lower=linear.lower.copy(), upper=linear.upper.copy())
    held.lower[at] = held.upper[at] = value
    more = linear._replace(
        matrix=csr_matrix(np.vstack([linear.matrix.toarray(), np.ones(len(linear.cost))])),
        low=np.append(linear.low, 1.5),
        high=np.append(linear.high, np.inf),
    )
    for it in (linear, held, linear, more):
        relaxation.hold({at: float(value)} if it is held else {})
        if it is more:
            relaxation.add(csr_matrix(np.ones((1, len(linear.cost)))), np.array([1.5]))
        found = relaxation.solve()
        assert found is not None
        assert found.cost == pytest.approx(by_scipy(it), abs=1e-6)
        if found.cost < np.inf:
            does = it.matrix @ found.x
            assert (does >= it.low - 1e-6).all()
            assert (does <= it.high + 1e-6).all()
            assert it.cost @ found.x == pytest.approx(found.cost, abs=1e-6)


@given(linear=programmes())
@settings(max_examples=100)
def test_what_is_told_of_variables_holds_for_all_rows(linear: Linear) -> None:
    """Moved by one from its end, each makes every answer dearer by what is said, also
    where not all rows that it breaks are told."""
    for patience in (0, 1, 2, np.inf):
        relaxation = Relaxation(linear)
        found = relaxation.solve(patience)
        assert found is not None
        if found.cost == np.inf:
            assert by_scipy(linear) == np.inf
            continue
        for x in whole_numbers(linear):
            moved = np.where(found.reduced > 0, x - linear.lower, linear.upper - x)
            dearer = np.where(np.abs(found.reduced) > 1e-6, np.abs(found.reduced) * moved, 0.0)
            assert linear.cost @ x >= found.cost + dearer.max() - 1e-6


@given(linear=programmes(), part=st.sampled_from([0.3, 0.9, 1.1, 3.0]))
@settings(max_examples=80)
def test_what_costs_too_much_is_told_as_that_only(linear: Linear, part: float) -> None:
    least = by_scipy(linear)
    most = 1.0 if least in (0.0, np.inf) else part * least
    relaxation = Relaxation(linear)
    relaxation.up_to(most)
    found = relaxation.solve()
    assert found is not None
    if least <= most - 1e-6:
        assert found.cost == pytest.approx(least, abs=1e-6)
    else:
        assert found.cost > most - 1e-6, "never told as less"


@given(linear=programmes(), most=st.sampled_from([0.0, 0.5, 1.5, 4.0, np.inf]))
@settings(max_examples=80)
def test_the_cheapest_whole_answer_of_those_that_cost_no_more(linear: Linear, most: float) -> None:
    costs = [float(linear.cost @ x) for x in whole_numbers(linear)]
    least = min((c for c in costs if c <= most + 1e-9), default=np.inf)
    found = solved(linear, [True] * len(linear.cost), 5.0, 0.0, most)
    assert found.cost == pytest.approx(least, abs=1e-6)
    assert found.impossible == (least == np.inf)
    assert found.bound <= least + 1e-6


def test_going_back_to_where_a_solution_ended_changes_no_answer() -> None:
    """Half of each of three pairs that exclude each other; each variable held, from one mark."""
    pairs = np.array([[1, 1, 0, 0, 0, 0], [0, 0, 1, 1, 0, 0], [0, 0, 0, 0, 1, 1]], float)
    n = pairs.shape[1]
    everyone = np.ones((1, n))
    linear = Linear(
        np.array([3.0, 1, 2, 2, 1, 5]),
        csr_matrix(np.vstack([pairs, everyone])),
        np.array([-np.inf] * 3 + [2.5]),
        np.array([1.0] * 3 + [np.inf]),
        np.zeros(n),
        np.ones(n),
    )
    relaxation = Relaxation(linear)
    both = [(v, value) for v in range(n) for value in (0.0, 1.0)]
    for v, value in both:  # so that it knows all rows that hold anything
        relaxation.hold({v: value})
        relaxation.solve()
    relaxation.hold({})
    relaxation.solve()
    mark = relaxation.mark()
    for v, value in both:
        relaxation.back_to(mark)
        relaxation.hold({v: value})
        found = relaxation.solve(0)
        lower, upper = linear.lower.copy(), linear.upper.copy()
        lower[v] = upper[v] = value
        assert found is not None
        assert found.cost == pytest.approx(by_scipy(linear._replace(lower=lower, upper=upper)))


def test_a_row_that_costs_nothing_at_first_is_told_where_patience_has_no_end() -> None:
    """Each of six must be what the one before is, the first must be 1, the last costs: rows are
    broken one after another, and only the last one makes it dearer."""
    matrix = np.eye(6) - np.eye(6, k=-1)
    low = np.array([1.0, 0, 0, 0, 0, 0])
    cost = np.array([0.0, 0, 0, 0, 0, 1])
    linear = Linear(cost, csr_matrix(matrix), low, np.full(6, np.inf), np.zeros(6), np.ones(6))
    costs = []
    for patience in (0, 2, np.inf):
        found = Relaxation(linear).solve(patience)
        assert found is not None
        costs.append(found.cost)
    assert costs == [0.0, 0.0, 1.0]
