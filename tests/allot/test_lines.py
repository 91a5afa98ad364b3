"""Queues first in, first out, delays of gateways and lengths: against every placement."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.allot_lines import cheapest_line, late_in, made_line

from busplan.allot.problem import Placement, cost
from busplan.allot.search import Verdict, search


@given(seed=st.integers(0, 10**6))
@example(seed=398)  # two messages carried past each other make it impossible
@example(seed=42)  # a delay makes a message late
@example(seed=18)  # a queue makes the answer dearer
@settings(max_examples=12)
def test_queues_delays_and_lengths_are_in_the_search(seed: int) -> None:
    question = made_line(seed)

    def accept(answer: Placement) -> Verdict:
        assert not late_in(question, answer), "cuts have said it before"
        return Verdict()

    found, least = search(question, accept), cheapest_line(question)
    if least is None:
        assert found.placement is None
        assert found.impossible, "that there is none is proven"
        return
    assert found.placement is not None
    assert found.proven
    assert found.cost == pytest.approx(least)
    assert cost(question, found.placement) == pytest.approx(least)
