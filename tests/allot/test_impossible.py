"""Sets of messages that cannot live together: none too many, by trying every order."""

from dataclasses import replace
from types import SimpleNamespace

from hypothesis import assume, given, settings
from hypothesis import strategies as st
from support.allot_cases import Case, cases

from busplan.allot.free_numbers import FreeNumbers
from busplan.allot.impossible import Network, frees, impossible_sets
from busplan.allot.order import NetworkOrder
from busplan.timing.queue_model import QueueModel


def network(case: Case, apart: int = 50) -> Network:
    streams = tuple(
        SimpleNamespace(node=f"n{i}", path=("a", f"n{i}", f"M{i}"), number=i) for i in range(case.n)
    )

    def order(model: QueueModel) -> NetworkOrder:
        ranks = [(apart * (case.equal[s.number] + 1)) << 19 for s in model.streams]  # type: ignore[attr-defined]
        return NetworkOrder(model, case.fault_every, ranks, [False] * len(ranks))

    return Network(replace(case.model(), streams=streams), case.may_change, order)  # type: ignore[arg-type]


def some(case: Case, members: list[int]) -> Case:
    """The case with these messages only."""

    def pick(values: tuple) -> tuple:
        return tuple(values[i] for i in members)

    return replace(
        case,
        frame=pick(case.frame),
        period=pick(case.period),
        jitter=pick(case.jitter),
        deadline=pick(case.deadline),
        may_change=pick(case.may_change),
        equal=pick(case.equal),
    )


@given(case=cases(most=5))
@settings(max_examples=50)
def test_each_set_is_impossible_and_without_any_one_of_it_possible(case: Case) -> None:
    load = sum(c / t for c, t in zip(case.frame, case.period, strict=True))
    hit = (case.fault_cost + max(case.frame)) / case.fault_every if case.fault_every else 0
    assume(load + hit < 0.9)
    found = list(impossible_sets(network(case)))
    assert bool(found) == (case.fewest() is None)
    for members in found:
        assert some(case, list(members)).fewest() is None
        for one in members:
            rest = [i for i in members if i != one]
            assert not rest or some(case, rest).fewest() is not None


@given(case=cases(most=4))
@settings(max_examples=20)
def test_what_frees_a_set_does_so(case: Case) -> None:
    assume(sum(c / t for c, t in zip(case.frame, case.period, strict=True)) < 0.8)
    # In units of a µs, the step to which deadlines are searched.
    us = replace(
        case,
        frame=tuple(1000 * c for c in case.frame),
        period=tuple(1000 * t for t in case.period),
        jitter=tuple(1000 * j for j in case.jitter),
        deadline=tuple(1000 * d for d in case.deadline),
        fault_every=1000 * case.fault_every,
        fault_cost=1000 * case.fault_cost,
    )
    asked = network(us)
    for members in impossible_sets(asked):
        for freed in frees(asked, members, lambda rate: asked, [500_000]):
            number = int(freed.node[1:])
            if freed.what == "identifiers":
                may = tuple(m or i == number for i, m in enumerate(us.may_change))
                other = replace(us, may_change=may)
            else:
                assert freed.what == "deadline"
                due = tuple(freed.value if i == number else d for i, d in enumerate(us.deadline))
                other = replace(us, deadline=due)
                less = tuple(d - 1000 if i == number else d for i, d in enumerate(due))
                assert some(replace(us, deadline=less), list(members)).fewest() is None
            assert some(other, list(members)).fewest() is not None
            assert freed.whole == (other.fewest() is not None)


def test_where_only_a_number_is_missing_nothing_is_proven() -> None:
    """The first must stay the first, and the third come right behind it, before the second."""
    case = Case((4, 2, 4), (100, 6, 100), (0,) * 3, (9, 100, 11), (False, False, True), (0, 1, 2))
    assert case.fewest() == 1
    for apart in (50, 1):
        assert list(impossible_sets(network(case, apart))) == []
    assert list(impossible_sets(network(replace(case, deadline=(9, 100, 7))))) == [(0, 2)]


@given(
    reserved=st.lists(
        st.tuples(st.integers(0, 90), st.integers(0, 20)).map(lambda r: (r[0], r[0] + r[1])),
        max_size=4,
    )
)
@settings(max_examples=40)
def test_reserved_identifiers_are_left_out_of_the_count(reserved: list[tuple[int, int]]) -> None:
    numbers = FreeNumbers(reserved)
    free = [i for i in range(200) if not any(a <= i <= b for a, b in reserved)]
    assert [numbers.identifier(k) for k in range(len(free))] == free
    for identifier in range(130):
        smaller = sum(1 for f in free if f <= identifier)
        assert numbers.up_to(identifier << 19)[0] == smaller
        assert numbers.up_to(identifier | 1 << 18)[1] == smaller
