"""Sets of messages that cannot live together: none too many, by trying every order."""

from dataclasses import replace
from types import SimpleNamespace

from hypothesis import assume, given, settings
from support.allot_cases import Case, cases

from busplan.allot.impossible import Network, frees, impossible_sets
from busplan.allot.order import NetworkOrder
from busplan.timing.queue_model import QueueModel


def network(case: Case) -> Network:
    streams = tuple(
        SimpleNamespace(node=f"n{i}", path=("a", f"n{i}", f"M{i}"), number=i) for i in range(case.n)
    )

    def order(model: QueueModel) -> NetworkOrder:
        ranks = [(50 * (case.equal[s.number] + 1)) << 19 for s in model.streams]  # type: ignore[attr-defined]
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
@settings(max_examples=30)
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
