"""What identifiers shall bear: against every order, and the plan that the answer makes."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from support.allot_cases import Case, cases
from support.allot_plans import shuffled_plan
from support.command import busplan

from busplan.allot.asking import ask
from busplan.allot.identifiers import allot_identifiers, bar_of
from busplan.allot.order import Failure, NetworkOrder
from busplan.allot.report import sentences
from busplan.allot.wants import IN_TIME, ONE_ERROR, Want, parse_want, timing_under
from busplan.checks.deadlines import check
from busplan.errors import UsageError
from busplan.plan.change import set_identifiers
from busplan.plan.reader import change_plan, load_plan
from busplan.timing.response import with_faults
from busplan.timing.slack import least, network_slack

MOST = 2_000


@given(case=cases(most=5))
@settings(max_examples=25)
def test_no_order_bears_bus_errors_closer_than_the_search_from_below(case: Case) -> None:
    case = replace(case, equal=tuple(range(case.n)), may_change=(True,) * case.n, fault_every=0)
    assume(sum(c / t for c, t in zip(case.frame, case.period, strict=True)) < 0.8)

    def finds(every: int) -> bool:
        ranks = [(50 * (i + 1)) << 19 for i in range(case.n)]
        order = NetworkOrder(case.model(), every, ranks, [False] * case.n)
        return not isinstance(order.find(np.ones(case.n, np.bool_)), Failure)

    def some_order(every: int) -> bool:
        return replace(case, fault_every=every).fewest() is not None

    closest = least(finds, 30, MOST)
    if closest is None:
        assert not some_order(MOST)
    else:
        assert some_order(closest)
        assert closest == 30 or not some_order(closest - 1)


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "sorter.toml"
    path.write_text(shuffled_plan(nodes=3, messages=6, seed=7), "utf-8")
    return path


def asked(plan: Path, want: str) -> tuple[dict[str, Any], Any]:
    """What is said, and the vehicle of the plan it makes."""
    out = plan.with_name(f"{want.replace('=', '_')}.toml")
    limits = ("--seconds", "1", "--json")
    told = busplan("allot", plan, "--only", "identifiers", "--want", want, "--out", out, *limits)
    assert told.code <= 1, told.err
    return json.loads(told.out), load_plan(out)


def test_each_want_is_borne_by_the_plan_it_makes(plan: Path) -> None:
    plain, as_it_is = asked(plan, "in-time")
    grown, growing = asked(plan, "growth=2.25")
    once, robust = asked(plan, "one-error")
    most, closest = asked(plan, "most-robust")
    for shown in (grown, once, most):
        assert shown["solved"] is True
        assert plain["bound"] <= shown["bound"] <= shown["changes"]
    slack = {
        name: network_slack(v, "net0")
        for name, v in {"plain": as_it_is, "growth": growing, "most": closest}.items()
    }
    assert (slack["growth"].growth or 0) >= 2.25 > (slack["plain"].growth or 0)
    assert [f for f in check(as_it_is) if f.code == "deadline-tight"]
    assert not [f for f in check(robust) if f.code == "deadline-tight"]
    (network,) = most["networks"]
    assert slack["most"].fault_interval_ns == network["fault_every_ns"]
    assert network["fault_every_ns"] < (slack["plain"].fault_interval_ns or 10**12)
    assert plain["one_error"]["changes"] == once["changes"] == plain["changes"] + 1
    told = " ".join(
        busplan("allot", plan, "--only", "identifiers", "--want", "most-robust").out.split()
    )
    assert "no order of identifiers that bears closer ones" in told


def test_what_more_changes_would_buy_is_counted_from_both_answers(plan: Path) -> None:
    before = load_plan(plan)
    found = allot_identifiers(
        before, lambda changes: change_plan(plan, [set_identifiers(changes)]).after
    )
    (answer,) = found.networks
    assert len(answer.changes) == 1
    dearer = replace(answer, changes=answer.changes * 3, bound=2)
    more = replace(found, networks=(dearer,))
    assert "2 more changes (3 in all, at least 2) would let" in list(sentences(found, more))[-1]
    assert "Every message bears one bus error as well" in list(sentences(found, found))[-1]
    never = replace(found, networks=(replace(answer, wrong_after=1),))
    assert "is not borne on net0" in list(sentences(found, never))[-1]


@pytest.mark.parametrize("want", ["soon", "growth", "growth=0.5", "growth=nan", "one-error=2"])
def test_what_cannot_be_wanted_says_what_can(want: str) -> None:
    with pytest.raises(UsageError, match=r"growth=1\.25"):
        parse_want(want)


def test_a_want_that_is_none_is_one_error(plan: Path) -> None:
    told = busplan("allot", plan, "--want", "soon")
    assert (told.code, told.out) == (3, "")


def test_bus_errors_that_a_plan_states_are_borne_whatever_is_wanted_beside(plan: Path) -> None:
    """Closer ones than are wanted stay, and farther ones come as close as is wanted."""
    vehicle = with_faults(load_plan(plan), 10_000_000)
    robust = Want("most-robust", every_ns=2_000_000)
    farther = Want("most-robust", every_ns=20_000_000)
    wanted = {IN_TIME: 10_000_000, ONE_ERROR: 10_000_000, robust: 2_000_000, farther: 10_000_000}
    for want, distance in wanted.items():
        assert {n.fault_interval_ns for n in ask(vehicle, want).question.nets} == {distance}
        timing = timing_under(vehicle, want, None)
        assert {n.fault_interval_ns for n in timing.networks.values()} == {distance}
        assert bar_of(vehicle, "net0", want, None) == distance
    assert ask(vehicle, IN_TIME, 5_000_000).question.nets[0].fault_interval_ns == 5_000_000
