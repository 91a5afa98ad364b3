"""Parts of a programme looked through side by side: nothing of use is lost, nor told twice."""

import random
import time
from itertools import combinations, product
from threading import get_ident
from typing import Any, cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.made_programmes import Made, made

from busplan.allot import parts
from busplan.allot.beside import both
from busplan.allot.once import Once, step_of
from busplan.allot.parts import Parts, Side
from busplan.allot.programme import Programme
from busplan.allot.solver import Relaxation
from busplan.allot.tree import Part, Tree

NO_HOPE = np.inf


def once_of(programme: Made, useful: float) -> Once:
    linear = programme.linear({})
    step = step_of(linear.cost)
    known = cast("Programme", programme)
    return Once(known, linear, useful, step, 0.0, lambda: False, lambda: 9.0)


def parts_of(programme: Made, tree: Tree, useful: float, hoped: float = NO_HOPE) -> Parts:
    linear = programme.linear({})
    side = Side(Relaxation(linear))
    once = once_of(programme, useful)
    return Parts(once, tree, side, lambda: Relaxation(linear), lambda x: False, hoped)


def tree_of(programme: Made, useful: float) -> Tree:
    tree = Tree(*programme.pools(), useful + 1e-6)
    tree.again([Part(0.0, {})])
    return tree


few_and_far = given(
    programme=made(),
    few=st.sampled_from([0.0, 0.4]),
    far=st.sampled_from([0.005, 0.06, 1.0]),
    above=st.sampled_from([0.0, 0.3, 1.0]),
    hoped=st.sampled_from([0.0, NO_HOPE]),
    more=st.sampled_from([0.0, 0.1]),
)


@few_and_far
@settings(max_examples=200)
def test_every_answer_of_use_is_in_a_part_that_is_left(
    programme: Made, few: float, far: float, above: float, hoped: float, more: float
) -> None:
    """After each answer all that cost no more than is of use are in a part that is known to cost no
    more than they do, the one that was told too; and where none is told there is none."""
    every = [
        (float(programme.cost @ whole), whole)
        for whole in map(np.array, product((0, 1), repeat=len(programme.cost)))
        if (programme.matrix @ whole >= programme.low).all()
    ]
    cheapest = min((cost for cost, _ in every), default=1.0)
    useful = cheapest * (1 + above) + more
    tree = tree_of(programme, useful)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parts, "_FEW", few)
        patch.setattr(parts, "_FAR", far)
        for _ in range(4):
            found = parts_of(programme, tree, useful, hoped).cheapest()
            assert found is not None
            if found.answer is None:
                assert not [cost for cost, _ in every if cost <= useful]
                return
            assert found.bound <= cheapest + 1e-6
            for cost, whole in every:
                if cost <= useful:
                    assert any(
                        part.cost <= cost + 1e-6
                        and all(whole[v] == value for v, value in part.held.items())
                        for part in tree.parts()
                    )
            left, tree = tree.parts(), Tree(*programme.pools(), useful + 1e-6)
            tree.again(left)


@given(programme=made(), seed=st.integers(0, 9))
@settings(max_examples=25, deadline=None)
def test_whoever_is_slower_the_same_answer_comes_out(programme: Made, seed: int) -> None:
    """Each side made to wait by chance: the answer, the bound and what is left are the same."""
    chance = random.Random(seed)
    work = Parts._work

    def slowly(self: Parts, *given: Any) -> Any:
        time.sleep(chance.choice([0.0, 0.002]))
        return work(self, *given)

    told = []
    for how in (work, slowly, slowly):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(parts, "_FEW", 0.0)
            patch.setattr(Parts, "_work", how)
            tree = tree_of(programme, 99.0)
            found = parts_of(programme, tree, 99.0).cheapest()
            assert found is not None
            told.append((found.answer, found.bound, tree.parts()))
    assert told[0] == told[1] == told[2]


def test_two_parts_are_worked_on_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """On two threads, each always with the same solver: a solver bears one at a time."""
    pairs = [[float(v in pair) for v in range(7)] for pair in combinations(range(7), 2)]
    programme = Made(np.full(7, np.pi), np.array(pairs), np.ones(len(pairs)))
    work, seen = Parts._work, set()

    def watched(self: Parts, node: Any, side: Side) -> Any:
        seen.add((get_ident() == get_ident_of_test, id(side)))
        return work(self, node, side)

    get_ident_of_test = get_ident()
    monkeypatch.setattr(parts, "_FEW", 0.0)
    monkeypatch.setattr(Parts, "_work", watched)
    found = parts_of(programme, tree_of(programme, 99.0), 99.0).cheapest()
    assert found is not None
    assert found.cost == pytest.approx(6 * np.pi)
    assert len(seen) == 2
    assert len({here for here, _ in seen}) == len({side for _, side in seen}) == 2


def test_an_answer_above_the_goal_is_told_before_it_is_known_to_be_the_cheapest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It may lead to one that is right. The next one is told when what is left costs more, and the
    last one is the cheapest."""
    chance = np.random.default_rng(32)
    rows = chance.integers(0, 6, (6, 14)) * (chance.random((6, 14)) < 0.6)
    low = np.floor(rows.sum(axis=1) * 0.45)
    programme = Made(chance.integers(5, 30, 14) / 10, rows.astype(float), low)
    monkeypatch.setattr(parts, "_FAR", 0.005)
    left, hoped = [Part(0.0, {})], 0.0
    costs: list[float] = []
    bounds: list[float] = []
    while not costs or costs[-1] > bounds[-1] + 1e-6:
        tree = Tree(*programme.pools(), 99.0)
        tree.again(left)
        looked = parts_of(programme, tree, 99.0, hoped)
        found = looked.cheapest()
        assert found is not None
        costs.append(found.cost)
        bounds.append(found.bound)
        if costs[-1] > bounds[-1] + 1e-6:
            assert looked.hoped >= hoped * (1 + parts._HOPE), "not the same one again and again"
            assert looked.hoped > 0
        left, hoped = tree.parts(), looked.hoped
    assert costs[0] > bounds[0] + 0.5
    assert costs[0] > costs[-1]
    assert sorted(bounds) == bounds
    assert costs[-1] == pytest.approx(programme.cheapest())


def test_what_fails_beside_is_not_lost() -> None:
    assert both(lambda: 1, lambda: "two") == (1, "two")
    with pytest.raises(ZeroDivisionError):
        both(lambda: 1, lambda: 1 // 0)


@pytest.mark.parametrize("more", [0.0, 10.0], ids=["as relaxed", "known to cost more"])
def test_a_part_is_split_by_what_makes_its_halves_dearest(more: float) -> None:
    """Two of three are wanted of cheap ones and of dear ones, half of each would nearly do: a dear
    one tells more, also where the part is known to cost more than its relaxed programme says."""
    pairs = [[float(v in pair) for v in range(6)] for pair in combinations(range(3), 2)]
    pairs += [[float(v - 3 in pair) for v in range(6)] for pair in combinations(range(3), 2)]
    programme = Made(np.array([1.0, 1, 1, 3, 3, 3]), np.array(pairs), np.ones(6))
    relaxation = Relaxation(programme.linear({}))
    tree = Tree([np.arange(6)], np.arange(6))
    relaxed = relaxation.solve()
    assert relaxed is not None
    assert relaxed.cost == pytest.approx(6.0)
    tree.add({}, relaxed, relaxed.cost + more)
    node = tree.pop()
    assert node is not None
    halves = tree.split(node, relaxation, {})
    assert [list(half.held.values()) for half in halves] in ([[0.0], [1.0]], [[1.0], [0.0]])
    assert all(v >= 3 for half in halves for v in half.held)
