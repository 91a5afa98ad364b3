"""Queues first in, first out, delays of gateways and lengths: against every placement."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.allot_lines import cheapest_line, late_in, made_line
from support.allot_queued import changes_of, cheapest_queued, made_queued

from busplan.allot import narrow
from busplan.allot.delays import with_least_delays
from busplan.allot.problem import Placement, Question, cost
from busplan.allot.search import Found, Verdict, search


@given(seed=st.integers(0, 10**6))
@example(seed=398)  # two messages carried past each other make it impossible
@example(seed=42)  # a delay makes a message late
@example(seed=18)  # a queue makes the answer dearer
@settings(max_examples=12)
def test_queues_delays_and_lengths_are_in_the_search(seed: int) -> None:
    question = with_least_delays(made_line(seed))

    def accept(answer: Placement) -> Verdict:
        assert not late_in(question, answer), "cuts have said it before"
        return Verdict()

    found, least = search(question, accept), cheapest_line(question)
    _is_cheapest(question, found, least)


@given(seed=st.integers(0, 10**6))
@settings(max_examples=6)
def test_delays_of_three_networks_are_in_the_search(seed: int) -> None:
    """Whoever is late by a delay may be brought from another network instead."""
    question = with_least_delays(made_line(seed, networks=3))

    def accept(answer: Placement) -> Verdict:
        assert not late_in(question, answer), "cuts have said it before"
        return Verdict()

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(narrow, "SMALL", 0)  # searched as large ones are
        found = search(question, accept)
    _is_cheapest(question, found, cheapest_line(question))


def _is_cheapest(question: Question, found: Found, least: float | None) -> None:
    if least is None:
        assert found.placement is None
        assert found.impossible, "that there is none is proven"
        return
    assert found.placement is not None
    assert found.proven
    assert found.cost == pytest.approx(least)
    assert cost(question, found.placement) == pytest.approx(least)


def found_for_queues(seed: int) -> tuple[Found, float | None]:
    """What the search finds, and the cheapest of all answers."""
    question = made_queued(seed)

    def accept(answer: Placement) -> Verdict:
        changes = changes_of(question, answer)
        late = tuple(k for k, number in changes.items() if number is None)
        known = {k: number for k, number in changes.items() if number}
        return Verdict(sum(known.values()), known, late)

    return search(question, accept), cheapest_queued(question)


@given(seed=st.integers(0, 10**6))
@settings(max_examples=60)
def test_no_bound_is_above_the_cheapest_where_queues_and_free_identifiers_meet(seed: int) -> None:
    found, least = found_for_queues(seed)
    if least is None:
        assert found.placement is None
        return
    assert found.bound <= least + 1e-6
    assert found.cost == pytest.approx(least)


@pytest.mark.parametrize("seed", [1, 51, 77, 149])
def test_a_message_that_a_queue_makes_late_is_in_the_bound(seed: int) -> None:
    """Whoever keeps its identifier there, so that it misses, leaves or gets another."""
    found, least = found_for_queues(seed)
    assert found.cost == pytest.approx(least)
    assert found.proven
