"""The search for a placement, held against every placement of small questions."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.allot_places import changes, cheapest, made_question, planted

from busplan.allot.conflict import find_conflict
from busplan.allot.problem import Placement
from busplan.allot.search import Verdict, search


@given(seed=st.integers(0, 10**6))
@settings(max_examples=70)
def test_the_answer_costs_what_the_cheapest_of_all_costs(seed: int) -> None:
    question = made_question(seed)

    def accept(answer: Placement) -> Verdict:
        number = changes(question, answer)
        assert number is not None, "what the search has judged is so"
        return Verdict(sum(number.values()), number)

    found = search(question, accept)
    least = cheapest(question)
    if least is None:
        assert found.placement is None
        assert found.impossible, "that there is none is proven"
        return
    assert found.cost == pytest.approx(least)
    assert found.proven


def test_a_planted_conflict_is_found_among_many_nodes() -> None:
    """Three that are alike on two networks: all have room, but one name can be there once."""
    question, alike = planted(60)
    found = search(question)
    assert found.impossible
    conflict = find_conflict(question, found.cuts, lambda: 60.0, lambda: False)
    assert (frozenset(conflict.nodes), conflict.smallest) == (alike, True)
    assert not conflict.sums
    assert "one more network" in conflict.frees
    assert any("with other identifiers" in told for told in conflict.frees)
