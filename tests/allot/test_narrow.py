"""The cheapest answer among what the relaxed programme leaves, against all answers there are."""

from itertools import combinations, product
from typing import Any, cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.made_programmes import Made, made

from busplan.allot import narrow, parts
from busplan.allot.narrow import Narrow
from busplan.allot.once import Once, step_of
from busplan.allot.programme import Programme
from busplan.allot.solver import Relaxation


def narrow_of(programme: Made) -> Narrow:
    return Narrow(cast("Programme", programme))


@given(
    programme=made(), few=st.sampled_from([0.0, 0.4, 0.8]), far=st.sampled_from([0.005, 0.06, 1.0])
)
@settings(max_examples=200)
def test_going_on_from_answer_to_answer_ends_at_the_cheapest(
    programme: Made, few: float, far: float
) -> None:
    """No bound is ever above the cheapest answer, and nothing is left below the last one: split
    down to single variables, and solved as it is."""
    cheapest = programme.cheapest()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(narrow, "SMALL", 0)
        patch.setattr(parts, "_FEW", few)
        patch.setattr(parts, "_FAR", far)
        solver = narrow_of(programme)
        best = np.inf
        while True:
            found = solver.solve(1e-6, below=best)
            assert found.bound <= cheapest + 1e-6 or best <= cheapest + 1e-6
            if found.answer is None:
                break
            whole = np.array(cast("Any", found.answer))
            assert (programme.matrix @ whole >= programme.low).all()
            assert found.cost == pytest.approx(float(programme.cost @ whole))
            assert found.cost < best
            best = found.cost
            if not best:
                return
        assert best == pytest.approx(cheapest)
        if best < np.inf:
            assert found.bound >= cheapest - 1e-5 * max(1.0, cheapest), "nothing is left below"
        else:
            assert found.impossible


@given(
    programme=made(),
    few=st.sampled_from([0.0, 0.4, 0.8]),
    far=st.sampled_from([0.005, 0.02, 1.0]),
    kept=st.integers(0, 6),
)
@settings(max_examples=200)
def test_what_is_kept_from_time_to_time_loses_no_answer(
    programme: Made, few: float, far: float, kept: int
) -> None:
    """Of seven answers six are refused when they come, and some when only looked at: each by a row
    of its own. The cheapest of the others is found, and no bound is ever above it."""
    programme.unproven.clear()

    def refused(whole: tuple[int, ...]) -> bool:
        return sum(2**n * one for n, one in enumerate(whole)) % 7 != kept

    def refuse(whole: tuple[int, ...]) -> bool:
        row = np.where(np.array(whole), -1.0, 1.0)
        known = bool((programme.matrix == row).all(axis=1).any())
        if known or not refused(whole):
            return False
        programme.matrix = np.vstack([programme.matrix, row])
        programme.low = np.append(programme.low, 1.0 - sum(whole))
        return True

    every = [w for w in product((0, 1), repeat=len(programme.cost)) if not refused(w)]
    fits = [w for w in every if (programme.matrix @ np.array(w) >= programme.low).all()]
    cheapest = min((float(programme.cost @ np.array(w)) for w in fits), default=np.inf)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(narrow, "SMALL", 0)
        patch.setattr(parts, "_FEW", few)
        patch.setattr(parts, "_FAR", far)
        solver = Narrow(cast("Programme", programme), look=lambda x: refuse(programme.answer(x)))
        most = best = float(programme.cost.sum()) + (step_of(programme.cost) or 1.0)
        while True:
            found = solver.solve(1e-6, below=best, sound=True)
            assert min(found.bound, best) <= cheapest + 1e-6
            if found.answer is None:
                break
            whole = cast("Any", found.answer)
            if not refuse(whole):
                assert whole in fits
                assert found.cost < best
                best = found.cost
                if not best:
                    return
        assert best == pytest.approx(min(cheapest, most))


@given(programme=made(), gap=st.sampled_from([0.0, 0.1, 0.4]), above=st.sampled_from([0.0, 0.3]))
@settings(max_examples=100)
def test_where_nothing_of_use_is_left_the_bound_is_no_higher_than_the_cheapest(
    programme: Made, gap: float, above: float
) -> None:
    """A little cheaper than the best is of no use, and nothing is proven of it."""
    cheapest = programme.cheapest()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(narrow, "SMALL", 0)
        found = narrow_of(programme).solve(gap, below=min(cheapest, 99.0) * (1 + above))
    assert found.bound <= cheapest + 1e-6


@pytest.mark.parametrize("price", [1.0, np.pi], ids=["whole costs", "costs without a step"])
@pytest.mark.parametrize("fixed", [{}, {0: 1.0}], ids=["", "one held"])
def test_all_of_five_but_one_where_half_of_each_would_nearly_do(
    price: float, fixed: dict[int, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One of each pair of five is wanted: four in whole numbers, five halves without. That tells
    nothing of any one, so the programme is solved as it is, and once is enough."""
    monkeypatch.setattr(narrow, "SMALL", 0)
    pairs = [[float(v in pair) for v in range(5)] for pair in combinations(range(5), 2)]
    programme = Made(np.full(5, price), np.array(pairs), np.ones(len(pairs)))
    asked: list[int] = []

    def left() -> float:
        asked.append(1)
        return 9.0 if len(asked) < 60 else 0.0

    solver = Narrow(cast("Programme", programme), left=left)
    found = solver.solve(0.0, fixed=fixed, below=3.9 * price)
    assert found.answer is None
    assert not found.impossible, "there is one of four"
    assert found.bound <= 4 * price
    assert len(asked) < 60, "it ends before its time is over"
    assert solver.solve(0.0, fixed=fixed, below=5.5 * price).cost == pytest.approx(4 * price)


@given(programme=made(), room=st.sampled_from([0.0, 0.1, 0.3, 0.6, 1.2, 2.5]))
@settings(max_examples=150)
def test_what_is_left_has_every_answer_up_to_a_cost(programme: Made, room: float) -> None:
    """All of them that cost no more than the relaxed programme and so much, by trying all."""
    linear = programme.linear({})
    one = Once(cast("Programme", programme), linear, np.inf, 0.0, 0.0, lambda: False, lambda: 9.0)
    relaxed = one.tightened(Relaxation(linear), np.inf)
    assert relaxed is not None
    if relaxed.cost == np.inf:
        return
    top = relaxed.cost + room
    left = one.narrowed(relaxed, top)
    for whole in map(np.array, product((0, 1), repeat=len(programme.cost))):
        if (programme.matrix @ whole >= programme.low).all() and programme.cost @ whole <= top:
            assert (left.lower <= whole).all()
            assert (whole <= left.upper).all()


@given(programme=made())
@settings(max_examples=80)
def test_what_proves_nothing_is_in_no_bound(programme: Made) -> None:
    """``sound`` leaves such rows out, in what they imply as well, whatever was solved before."""
    proven = [row for row in range(len(programme.low)) if row not in programme.unproven]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(narrow, "SMALL", 0)
        patch.setattr(parts, "_FEW", 0.0)
        solver = narrow_of(programme)
        solver.solve(0.0)
        bound = solver.solve(0.0, below=1e3, sound=True).bound
    assert bound <= programme.cheapest(proven=proven) + 1e-6


@given(programme=made(), at=st.integers(0, 2), value=st.sampled_from([0.0, 1.0]))
@settings(max_examples=60)
def test_variables_held_stay_where_they_are_and_leave_nothing_behind(
    programme: Made, at: int, value: float
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(narrow, "SMALL", 0)
        solver = narrow_of(programme)
        before = solver.solve(0.0)
        held = solver.solve(0.0, fixed={at: value})
        if held.answer is not None:  # ends, where costs have no step as well
            beneath = solver.solve(1e-3, fixed={at: value}, below=held.cost)
            assert beneath.answer is None or beneath.cost < held.cost
        after = solver.solve(0.0)
    if held.answer is not None:
        assert cast("Any", held.answer)[at] == value
    assert (after.answer is None) == (before.answer is None)
    assert after.bound <= programme.cheapest() + 1e-6


def test_the_step_of_costs() -> None:
    """Sums of tenths and quarters are multiples of a twentieth; of odd costs nothing is known."""
    assert step_of(np.array([0.2, 0.0, 1.0, 0.25])) == pytest.approx(0.05)
    assert step_of(np.array([0.5, 1.0])) == 0.5
    assert step_of(np.array([np.pi, 1.0])) == 0.0
    assert step_of(np.zeros(3)) == 0.0
