"""The search for the fewest changes, held against every order of small networks."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from support.allot_cases import Case, cases
from support.slow_order import slow_order

from busplan.allot.fewest import Fewest, fewest_changes, leaving
from busplan.allot.numbers import new_identifiers
from busplan.allot.order import NetworkOrder


def network(case: Case, apart: int = 50) -> NetworkOrder:
    """The case with identifiers ``apart`` numbers from each other."""
    ranks = [(apart * (e + 1)) << 19 for e in case.equal]
    return NetworkOrder(case.model(), case.fault_every, ranks, [False] * case.n)


def in_time_again(case: Case, found: Fewest, ranks: list[int]) -> bool:
    """Whether an answer holds: each message in time below those of smaller identifiers."""
    order = network(case)
    for i in range(case.n):
        above = np.array([ranks[k] <= ranks[i] and k != i for k in range(case.n)])
        if not order.in_time(i, above):
            return False
    return len(set(ranks)) == case.n and found.order is not None


def far_from_one(case: Case) -> bool:
    load = sum(c / t for c, t in zip(case.frame, case.period, strict=True))
    hit = (case.fault_cost + max(case.frame)) / case.fault_every if case.fault_every else 0
    return not 0.9 < load + hit < 1.1


@given(case=cases())
@settings(max_examples=100)
def test_the_answer_equals_that_of_trying_every_order(case: Case) -> None:
    assume(far_from_one(case))
    found = fewest_changes(network(case), case.may_change)
    fewest = case.fewest()
    if fewest is None:
        assert found.order is None
        assert found.impossible, "an impossible network has its proof"
        return
    assert found.order is not None
    assert found.proven
    assert len(found.changed) == found.bound == fewest
    assert all(case.may_change[i] for i in found.changed)
    old = [50 * (e + 1) for e in case.equal]
    new = new_identifiers(
        found.order, frozenset(found.changed), [x << 19 for x in old], [0] * case.n
    )
    assert in_time_again(case, found, [new.get(i, old[i]) for i in range(case.n)])


@given(case=cases())
@settings(max_examples=50)
def test_where_numbers_are_scarce_no_answer_breaks_them(case: Case) -> None:
    """Identifiers next to each other: only above the first and below the last is room."""
    assume(far_from_one(case))
    found = fewest_changes(network(case, 1), case.may_change)
    fewest = case.fewest()
    if fewest is None:
        assert found.order is None
        return
    assert found.bound <= fewest
    if found.order is None:
        return
    assert len(found.changed) >= fewest
    old = [e + 1 for e in case.equal]
    ranks = [x << 19 for x in old]
    new = new_identifiers(found.order, frozenset(found.changed), ranks, [0] * case.n)
    assert in_time_again(case, found, [new.get(i, old[i]) for i in range(case.n)])


@given(case=cases())
@settings(max_examples=60)
def test_so_many_must_leave_is_never_too_many(case: Case) -> None:
    """Against trying every set that could leave."""
    assume(far_from_one(case))
    order = network(case)
    for f in range(case.n):
        above = np.arange(case.n) < f
        if order.in_time(f, above) or not order.in_time(f, np.zeros(case.n, np.bool_)):
            continue
        sets = [np.array([bool(s >> k & 1) for k in range(case.n)]) for s in range(1 << f)]
        fewest = min(int(gone.sum()) for gone in sets if order.in_time(f, above & ~gone))
        assert 1 <= leaving(order, f, above) <= fewest


@given(case=cases(), apart=st.sampled_from([1, 2, 50]), data=st.data())
@settings(max_examples=100)
def test_the_compiled_search_equals_the_slow_one(
    case: Case, apart: int, data: st.DataObject
) -> None:
    assume(far_from_one(case))
    order = network(case, apart)
    changed = data.draw(st.lists(st.booleans(), min_size=case.n, max_size=case.n))
    fine = case.slow()
    assert order.find(np.array(changed)) == slow_order(order, changed, fine)


def test_a_failing_message_shows_what_the_answer_is_made_of() -> None:
    """Three messages of 4 units; the last must be done within 9, so it cannot wait for two."""
    case = Case((4, 4, 4), (100,) * 3, (0,) * 3, (100, 100, 9), (True,) * 3, (0, 1, 2))
    found = fewest_changes(network(case), case.may_change)
    assert (found.changed, found.bound, found.proven) == ((2,), 1, True)
    assert found.order == (2, 0, 1)
    # Where the last one stays, one that is moved below it blocks it: 4 + 4 + 4 is late still.
    kept = fewest_changes(network(case), (True, True, False))
    assert (kept.changed, kept.bound) == ((0, 1), 2)
    assert fewest_changes(network(case), (False,) * 3).impossible == (0, 1, 2)


def test_what_must_leave_is_counted_as_by_hand() -> None:
    """Each frame 10 long, the last but one due in 40, one of 10 behind it: a window of 30.

    The one behind takes 10 of it, so of those above two fit; a bus error takes 15 more.
    """
    case = Case(
        (10,) * 7, (1000,) * 7, (0,) * 7, (1000,) * 5 + (40, 1000), (True,) * 7, tuple(range(7))
    )
    above = np.arange(7) < 5
    assert leaving(network(case), 5, above) == 3
    assert leaving(network(replace(case, fault_every=1000)), 5, above) == 5
    # At offsets of one clock none of them has to leave, so no more than one is asked for.
    apart = replace(case.model(), rhythm=[0] * 5 + [-1] * 2, offset=[200 * k for k in range(7)])
    order = NetworkOrder(apart, 0, network(case).ranks, [False] * 7)
    assert order.in_time(5, above)
    assert leaving(order, 5, above) == 1
    # A second frame of each falls into the window one bit time before it ends.
    twice = replace(case, period=(30,) * 5 + (1000, 1000))
    assert leaving(network(twice), 5, above) == 4
    assert leaving(network(replace(twice, bit=0)), 5, above) == 3


def test_new_identifiers_end_before_those_old_controllers_cannot_send() -> None:
    """CAN specification 2.0, part A: the seven most significant bits are never all recessive."""
    ranks = [0x7E0 << 19, 0x7EE << 19]
    new = new_identifiers((0, 1, 2), frozenset({2}), [*ranks, 0x10 << 19], [0, 0, 0])
    assert new == {2: 0x7EF}
    with pytest.raises(ValueError, match="do not suffice"):
        new_identifiers((0, 1), frozenset({1}), [0x7EF << 19, 0x10 << 19], [0, 0])


def test_frames_of_sessions_may_share_an_identifier() -> None:
    """Two long messages of one node travel under one identifier of the protocol."""
    case = Case((4,) * 4, (100,) * 4, (0,) * 4, (100,) * 4, (True,) * 4, (0, 1, 1, 2))
    assert fewest_changes(network(case), case.may_change).bound == 1
    model = replace(case.model(), part=(False, True, True, False))
    ranks = [(50 * (e + 1)) << 19 for e in case.equal]
    found = fewest_changes(NetworkOrder(model, 0, ranks, [False] * 4), (True, False, False, True))
    assert (found.changed, found.bound, found.impossible) == ((), 0, ())
