"""The smallest part, held against every part."""

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from busplan.allot.smallest import smallest_part

SETS = st.lists(st.frozensets(st.integers(0, 7), max_size=4), max_size=4)


@given(guilty=SETS)
def test_nothing_can_be_left_out_of_it(guilty: list[frozenset[int]]) -> None:
    """A part has the property when it holds one of some sets whole."""
    items = list(range(8))

    def has(some: object) -> bool:
        return any(one <= frozenset(some) for one in guilty)  # type: ignore[call-overload]

    found = smallest_part(items, has)
    if not has(items):
        return
    assert has(found)
    for less in combinations(found, len(found) - 1) if found else ():
        assert not has(less)


def test_those_that_come_first_are_taken_rather() -> None:
    assert smallest_part([1, 2, 3, 4], lambda some: len(some) >= 1) == [1]
    assert smallest_part([1, 2, 3, 4], lambda some: 4 in some or 2 in some) == [2]


def test_few_questions_are_asked_where_little_is_needed() -> None:
    asked = []

    def has(some: object) -> bool:
        asked.append(some)
        return 77 in some  # type: ignore[operator]

    assert smallest_part(range(1000), has) == [77]
    assert len(asked) < 25
