"""Inequalities of whole numbers that a row implies, against every whole solution of the row."""

from itertools import product

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_matrix

from busplan.allot.covers import Cover, broken_covers, coverable


def covers_of(weights: list[int], low: float, high: float, x: list[float]) -> list[Cover]:
    """What one row implies and a point breaks."""
    row = csr_matrix(np.array([weights], float))
    binary = np.ones(len(weights), np.bool_)
    found = broken_covers(
        row, np.array([low]), np.array([high]), coverable(row, binary), np.array(x)
    )
    return list(found)


def left_side(cover: Cover, x: object) -> float:
    return float((cover.weights * np.asarray(x, float)[cover.variables]).sum())


@given(
    weights=st.lists(st.integers(-9, 9).filter(bool), min_size=2, max_size=7),
    parts=st.lists(st.sampled_from([0.0, 0.01, 0.2, 0.5, 0.9, 1.0]), min_size=7, max_size=7),
    low=st.integers(-12, 12),
    wide=st.one_of(st.none(), st.integers(0, 9)),
)
@settings(max_examples=300)
def test_a_cover_holds_for_all_whole_numbers_of_its_row(
    weights: list[int], parts: list[float], low: int, wide: int | None
) -> None:
    """By trying them all; and the point that it was made for breaks it."""
    high = np.inf if wide is None else low + wide
    x = parts[: len(weights)]
    for cover in covers_of(weights, low, high, x):
        assert left_side(cover, x) < cover.least
        for whole in product((0, 1), repeat=len(weights)):
            if low <= sum(w * n for w, n in zip(weights, whole, strict=True)) <= high:
                assert left_side(cover, whole) >= cover.least - 1e-9


def test_a_hundredth_of_one_that_brings_far_more_than_is_wanted_does_not_do() -> None:
    """The example that the inequalities are known for (Carr and others 2000, from memory): 5 are
    wanted, one brings 1000. 0.005 of it meets the row, but whole it is needed, or five of 1."""
    weights = [1000, 1, 1, 1, 1, 1]
    (cover,) = covers_of(weights, 5, np.inf, [0.005, 0, 0, 0, 0, 0])
    assert cover.least == 1
    by_variable = dict(zip(cover.variables.tolist(), cover.weights.tolist(), strict=True))
    assert by_variable == {0: 1.0, **dict.fromkeys(range(1, 6), 0.2)}


def test_rows_that_say_nothing_of_zeros_and_ones_are_left_out() -> None:
    """Variables that may be more than 1, weights that are not whole, points that are whole."""
    row = csr_matrix(np.array([[10.0, 3.0], [10.5, 3.0]]))
    low, high = np.array([3.0, 3.0]), np.full(2, np.inf)
    some, both = np.array([False, True]), np.ones(2, np.bool_)
    x = np.array([0.3, 0.0])
    assert not list(broken_covers(row, low, high, coverable(row, some), x))
    assert len(list(broken_covers(row, low, high, coverable(row, both), x))) == 1
    assert not list(broken_covers(row, low, high, coverable(row, both), np.array([1.0, 0.0])))
