"""The search for a placement, held against every placement of small questions."""

from dataclasses import replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.allot_places import changes, cheapest, made_question, planted

from busplan.allot.conflict import find_conflict, too_much
from busplan.allot.problem import Placement
from busplan.allot.search import Verdict, search


@given(seed=st.integers(0, 10**6))
@example(seed=720)  # a clash that another node's change, elsewhere, does not mend
@example(seed=324)  # a carried message that is in time under another identifier only
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


def test_loads_that_add_up_to_too_much_are_proof_enough() -> None:
    """60 nodes of 780 bits each 50 ms, at 250 kbit/s and 50 %: 936 of 375 kbit/s; 8 networks."""
    question, _ = planted(60)
    busy = [
        replace(
            u, sent=tuple(replace(s, bits_per_s=130 / 0.05) for s in u.sent), networks=(0, 1, 2)
        )
        for u in question.units
        if len(u.sent) == 6
    ]
    (found,) = too_much(replace(question, units=(*busy, *busy[:3])))
    assert found.networks == ("net0", "net1", "net2")
    assert found.bits_per_s == pytest.approx(60 * 6 * 130 / 0.05)
    assert (found.room_per_s, found.needed) == (375_000, 8)
    assert not list(too_much(question))
