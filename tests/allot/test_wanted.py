"""What a whole answer shall bear: against every placement of small plans, judged by the checks."""

import json
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.allot_places import cheapest, growing, made_question, priced
from support.allot_plans import shuffled_plan
from support.allot_small import Small, small_plan, sound
from support.command import busplan

from busplan.allot.proposal_report import headline
from busplan.allot.search import search
from busplan.allot.wanted import Question, Wanted, find
from busplan.allot.wants import parse_want
from busplan.allot.whole import Limits
from busplan.checks.deadlines import check
from busplan.plan.reader import OpenPlan
from busplan.plan.vehicle import Vehicle
from busplan.timing.slack import network_slack


def found_for(plan: Small, folder: str, want: str) -> Wanted:
    path = Path(folder, "small.toml")
    path.write_text(plan.text(), "utf-8")
    opened = OpenPlan(path)
    return find(Question(opened.vehicle, opened.changed, parse_want(want)))


def grows(vehicle: Vehicle, factor: float) -> bool:
    slacks = [network_slack(vehicle, name) for name in vehicle.networks if vehicle.on(name)]
    return all(s.growth is not None and s.growth >= factor for s in slacks)


def bears_one_error(vehicle: Vehicle) -> bool:
    return not {"deadline-missed", "deadline-tight"} & {f.code for f in check(vehicle)}


@given(seed=st.integers(0, 10**6), factor=st.sampled_from([1.25, 1.7, 2.5]))
@settings(max_examples=12)
def test_the_cheapest_plan_that_can_grow_is_found(seed: int, factor: float) -> None:
    plan = small_plan(seed)
    with TemporaryDirectory() as folder:
        least = plan.fewest_moves(Path(folder), lambda v: grows(v, factor))
        found = found_for(plan, folder, f"growth={factor}").proposal
        if least is None:
            assert found.best is None
            assert found.conflict is not None
            assert f"{factor:g} times as often" in headline(found)
            return
        assert found.best is not None
        assert grows(found.best.vehicle, factor)
        assert found.best.cost == pytest.approx(least)
        assert found.proven


@given(seed=st.integers(0, 10**6))
@settings(max_examples=10)
def test_the_cheapest_plan_that_bears_one_bus_error_is_found(seed: int) -> None:
    plan = small_plan(seed, tight=0.8)
    with TemporaryDirectory() as folder:
        least = plan.fewest_moves(Path(folder), bears_one_error)
        wanted = found_for(plan, folder, "in-time")
        found = found_for(plan, folder, "one-error").proposal
        more = wanted.more
        if least is None:
            assert found.best is None
            assert more is None or more.best is None
            return
        assert found.best is not None
        assert bears_one_error(found.best.vehicle)
        assert found.best.cost == pytest.approx(least)
        assert more is not None, "what one error more takes is told beside being in time"
        assert more.best is not None
        assert more.best.cost == pytest.approx(least)
        assert (more is wanted.proposal) == bears_one_error(more.best.vehicle) or more.best.cost


@given(seed=st.integers(0, 10**6))
@settings(max_examples=6)
def test_no_placement_bears_closer_bus_errors_than_the_most_robust(seed: int) -> None:
    plan = small_plan(seed, nodes=3)
    with TemporaryDirectory() as folder:
        tried = [(moved, closest(v)) for moved, v in plan.placements(Path(folder)) if sound(v)]
        borne = [(moved, every) for moved, every in tried if every is not None]
        found = found_for(plan, folder, "most-robust")
        if not tried:
            assert found.proposal.best is None
            return
        assert found.proposal.best is not None
        assert found.robust is not None
        if not borne:
            assert found.robust.borne == 0
            return
        least = min(every for _, every in borne)
        reached = closest(found.proposal.best.vehicle)
        assert reached is not None
        assert reached <= found.robust.borne
        assert found.robust.never < least <= found.robust.borne
        assert found.robust.known
        cost = min(moved for moved, every in borne if every <= found.robust.borne)
        assert found.proposal.best.cost == pytest.approx(cost)
        assert found.proposal.proven


def closest(vehicle: Vehicle) -> int | None:
    """The least distance of bus errors that all networks bear; ``None``: not even one."""
    every = [network_slack(vehicle, n).fault_interval_ns for n in vehicle.networks if vehicle.on(n)]
    known = [e for e in every if e is not None]
    return max(known) if len(known) == len(every) else None


@given(seed=st.integers(0, 10**6), factor=st.sampled_from([1.1, 1.3, 1.6]))
@settings(max_examples=40)
def test_growth_costs_what_the_cheapest_of_all_answers_costs(seed: int, factor: float) -> None:
    question = growing(made_question(seed), factor, seed)

    found = search(question, priced(question))
    least = cheapest(question)
    if least is None:
        assert found.impossible
        return
    assert found.cost == pytest.approx(least)
    assert found.proven


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """Messages of one network in no good order: in time as they are, with one to change."""
    path = tmp_path / "sorter.toml"
    path.write_text(shuffled_plan(nodes=3, messages=6, seed=7), "utf-8")
    return path


def shown(plan: Path, *more: str) -> tuple[Any, str]:
    """What is said as JSON, and in words."""
    told = " ".join(busplan("allot", plan, *more).out.split())
    return json.loads(busplan("allot", plan, *more, "--json").out), told


def test_what_one_bus_error_more_takes_is_told_with_the_answer(plan: Path) -> None:
    plain, told = shown(plan)
    robust, then = shown(plan, "--want", "one-error")
    assert (plain["want"], robust["want"]) == ("in-time", "one-error")
    count, cost = len(robust["changes"]), robust["cost"]
    assert plain["one_error"] == {
        **{"solved": True, "changes": count, "cost": cost, "bound": cost, "proven": True}
    }
    assert count > len(plain["changes"])
    assert f"{count} changes instead of {len(plain['changes'])}, cost {cost:.2f} instead" in told
    assert "(no cheaper plan does), would let every message bear one bus error" in told
    assert "and all is in time with one bus error; no cheaper plan exists" in then
    assert robust["one_error"] is None, "told where it is not asked for already"
    before = [n["before"] for n in plain["networks"]]
    assert [n["before"] for n in robust["networks"]] == before, "today's plan is what it is"
    document, faulty = shown(plan, "--faults", "50")
    assert document["fault_interval_ns"] == 50_000_000
    assert "and all is in time with a bus error each 50 ms on every network; " in faulty
    assert "bus error as well" not in faulty
    _, both = shown(plan, "--faults", "50", "--want", "growth=1.1")
    assert "everything sent 1.1 times as often, and a bus error each 50 ms on every" in both


def test_one_bus_error_more_that_cannot_be_borne_or_is_borne_already(tmp_path: Path) -> None:
    """Two messages of 270 µs at 500 kbit/s, and one error of 62 µs at most: 135 and 31 bits
    (ISO 11898-1: the longest frame of 8 bytes; error flags, delimiter, intermission)."""
    plan = tmp_path / "two.toml"
    head = "[vehicle]\nname = 'Two (invented)'\n[network.only]\nbit_rate = 500_000\n"
    for n in (1, 2):
        head += (
            f"[part.p{n}]\nidentifiers = 'free'\n[[part.p{n}.message]]\nname = 'M'\n"
            f"identifier = {n}\nbytes = 8\ncycle_ms = 10\n[node.n{n}]\npart = 'p{n}'\n"
            "on = ['only']\n"
        )
    due = "[message.'only/n{}/M']\ndeadline_ms = {}\n"
    plan.write_text(head + due.format(1, 0.6) + due.format(2, 0.6), "utf-8")
    document, told = shown(plan)
    assert document["cost"] == 0
    assert document["one_error"]["solved"] is False
    assert "No changes that the plan allows let every message bear one bus error as well" in told
    plan.write_text(head + due.format(1, 2) + due.format(2, 2), "utf-8")
    document, told = shown(plan)
    assert document["one_error"]["cost"] == 0
    assert "Every message bears one bus error as well." in told


def test_the_most_robust_says_how_close_errors_come_and_what_is_proven(plan: Path) -> None:
    document, told = shown(plan, "--want", "most-robust")
    closest = document["most_robust"]
    assert 0 < closest["never_ns"] < closest["fault_every_ns"] < 1.02 * closest["never_ns"] + 1000
    assert f"Bus errors each {closest['fault_every_ns'] / 1e6:.5g} ms are borne" in told
    assert f"bear them each {closest['never_ns'] / 1e6:.5g} ms (proven)." in told
    (network,) = document["networks"]
    assert network["after"]["error_each_ms"] * 1e6 <= closest["fault_every_ns"]
    assert network["before"]["error_each_ms"] != network["after"]["error_each_ms"]


def test_growth_that_cannot_be_had_names_who_stands_in_the_way(plan: Path) -> None:
    document, told = shown(plan, "--want", "growth=20")
    assert document["solved"] is False
    assert document["conflict"]["nodes"]
    assert "Impossible: with no changes that the plan allows is all in time with every" in told
    assert "has no place, even without the other nodes (gateways apart), in time with" in told


HEAD = "[vehicle]\nname = 'Little (invented)'\n"
NETWORK = "[network.{}]\nbit_rate = 250_000\n"
TWO = (
    "[part.x]\nbit_rates = [125_000, 250_000]\n[[part.x.message]]\nname = 'X'\n"
    "identifier = 0x20\nbytes = 8\n{}\n[node.n1]\npart = 'x'\non = ['{}']\n"
    "[node.n2]\npart = 'x'\non = ['{}']\n"
)


@pytest.mark.parametrize("text", [HEAD, HEAD + NETWORK.format("a")])
@pytest.mark.parametrize("more", [(), ("--only", "identifiers"), ("--want", "most-robust")])
def test_a_plan_that_sends_nothing_is_no_good_news(
    tmp_path: Path, text: str, more: tuple[str, ...]
) -> None:
    plan = tmp_path / "little.toml"
    plan.write_text(text, "utf-8")
    told = busplan("allot", plan, *more)
    assert told.code <= 1, told.err
    assert "Nobody sends a message there, so there is nothing to judge" in told.out
    assert "in time and" not in told.out
    assert "bus error" not in told.out.lower()


def test_what_is_not_judged_is_said_to_be_so(tmp_path: Path) -> None:
    plan = tmp_path / "little.toml"
    networks = NETWORK.format("a") + NETWORK.format("b")
    plan.write_text(HEAD + networks + TWO.format("", "a", "b"), "utf-8")
    document, told = shown(plan)
    assert document["unjudged"] == 2
    assert "all that states period and deadline is in time" in told
    assert "2 messages without a period, a deadline or a known way on the bus" in told
    assert "Every message that is judged bears one bus error" in told


def test_a_network_that_nobody_is_on_keeps_its_bit_rate(tmp_path: Path) -> None:
    plan = tmp_path / "little.toml"
    networks = "".join(map(NETWORK.format, "abcd"))
    plan.write_text(HEAD + networks + TWO.format("cycle_ms = 50", "a", "a"), "utf-8")
    document, _ = shown(plan)
    assert [c["change"].split(" moves")[0] for c in document["changes"]] in (["n1"], ["n2"])


def test_while_others_are_looked_for_the_best_is_told(tmp_path: Path) -> None:
    plan = tmp_path / "little.toml"
    networks = "".join(map(NETWORK.format, "ab"))
    two = TWO.format("cycle_ms = 50", "a", "a")
    two = two.replace("[[part", "buy_other_identifiers = 1.1\n[[part")
    plan.write_text(HEAD + networks + two, "utf-8")
    opened, told = OpenPlan(plan), []
    limits = Limits(told=lambda best, bound, doing: told.append((best, bound, doing)))
    found = find(Question(opened.vehicle, opened.changed), limits).proposal
    assert found.others
    assert found.best is not None
    others = [(best, bound) for best, bound, doing in told if doing.startswith("looking")]
    assert others
    assert set(others) == {(found.best.cost, found.bound)}
