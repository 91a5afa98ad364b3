"""The search for a placement, held against every placement of small questions."""

import random
from dataclasses import replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.allot_places import COSTS, changes, cheapest, made_question, planted, possible, priced

from busplan.allot import narrow
from busplan.allot import search as searching
from busplan.allot.conflict import find_conflict, too_much
from busplan.allot.problem import (
    Carried,
    Frames,
    Gateway,
    Name,
    Net,
    Option,
    Placement,
    Question,
    Sent,
    Unit,
    Wanted,
    cost,
)
from busplan.allot.programme import Programme
from busplan.allot.rows import message_at
from busplan.allot.search import Verdict, search
from busplan.allot.settling import settle


@given(seed=st.integers(0, 10**6))
@example(seed=720)  # a clash that another node's change, elsewhere, does not mend
@example(seed=324)  # a carried message that is in time under another identifier only
@example(seed=1815)  # a carried message has the identifier that an offset gives its sender
@example(seed=412)  # one that is renamed is under no identifier of its sender
@example(seed=5119)  # one that is late by what it waits for, wherever that goes before it
@settings(max_examples=70)
def test_the_answer_costs_what_the_cheapest_of_all_costs(seed: int) -> None:
    question = made_question(seed)

    found = search(question, priced(question))
    least = cheapest(question)
    if least is None:
        assert found.placement is None
        assert found.impossible, "that there is none is proven"
        return
    assert found.cost == pytest.approx(least)
    assert found.proven


@given(seed=st.integers(0, 10**6))
@settings(max_examples=20)
def test_a_large_question_is_answered_like_a_small_one(seed: int) -> None:
    """Small ones, searched as large ones are."""
    question = made_question(seed)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(narrow, "SMALL", 0)
        found = search(question, priced(question))
    least = cheapest(question)
    if least is None:
        assert found.impossible
        return
    assert found.cost == pytest.approx(least)
    assert found.bound <= least + 1e-6
    assert found.gap <= searching._LET_GO


@given(seed=st.integers(0, 10**6))
@example(seed=5911)  # one that no longer goes before a message holds it up from below
@settings(max_examples=12)
def test_what_is_learnt_rules_out_no_answer_that_works(seed: int) -> None:
    """Frames of several lengths; every inequality of the search against every answer, whoever else
    comes to a network in it: the bound is one of all of them."""
    question = made_question(seed, lengths=(60, 130, 155))

    def accept(answer: Placement) -> Verdict:
        number = changes(question, answer)
        return Verdict(late=(0,)) if number is None else Verdict(sum(number.values()), number)

    found = search(question, accept)
    works = list(possible(question))
    assert found.bound <= min((price for _, price in works), default=float("inf")) + 1e-6
    cuts = [cut for cut in found.cuts if cut.sound]
    programme = Programme(question, cuts, list(found.demands))
    random.Random(seed).shuffle(works)
    for answer, price in works[:8]:
        least = programme.solve(5.0, fixed=held(programme, answer))
        assert least.cost <= price + 1e-6


@pytest.mark.parametrize("seed", [2, 720])
def test_what_only_the_whole_plan_refuses_is_no_part_of_the_bound(seed: int) -> None:
    """The first answer that works is refused without a reason: another one is given, and the bound
    is still that of all."""
    question = made_question(seed)
    least = cheapest(question)
    assert least is not None
    refused: list[Placement] = []

    def accept(answer: Placement) -> Verdict:
        number = changes(question, answer)
        assert number is not None
        total = cost(question, answer) + COSTS.identifier * sum(number.values())
        if not refused and total == pytest.approx(least):
            refused.append(answer)
        if answer in refused:
            return Verdict(late=tuple(sorted(set(answer.where))))
        return Verdict(sum(number.values()), number)

    found = search(question, accept)
    assert refused
    assert found.placement not in (None, *refused)
    assert found.bound == pytest.approx(least)
    assert found.cost >= least - 1e-6
    assert any(not cut.sound for cut in found.cuts)


@given(seed=st.integers(0, 10**6), refused=st.sets(st.integers(0, 5)))
@settings(max_examples=25)
def test_the_whole_plan_is_asked_of_the_first_answer_and_of_the_last(
    seed: int, refused: set[int]
) -> None:
    """Answers in which less and less is done; where it refuses the last one, of the one before."""
    question = made_question(seed)
    answers = {cost(question, answer): answer for answer, _ in possible(question)}
    cheaper = [answers[price] for price in sorted(answers, reverse=True)[-6:]]
    asked: list[int] = []

    def accept(answer: Placement) -> Verdict:
        asked.append(cheaper.index(answer))
        return Verdict(late=(0,) if asked[-1] in refused else ())

    run = searching._Run(
        Programme(question),
        accept,
        lambda: 9.0,
        lambda: False,
        [],
        lambda *_: None,
        lambda do: do(),
    )
    for answer in cheaper:
        run.keep(answer)
    ends = run._as_hoped()
    holds = [n for n in range(len(cheaper)) if n not in refused]
    if not holds:
        assert run.best is None
        return
    assert run.best == cheaper[holds[-1]]
    first = holds[0]
    last = list(range(len(cheaper) - 1, max(holds[-1], first + 1) - 1, -1))
    assert asked == [*range(first + 1), *last], "of each until one holds, then from the last one"
    assert not run.hoped
    if refused & set(last):
        assert not ends, "what the plan refuses is learnt: there may be more to find"


@pytest.mark.parametrize(("by_name", "least"), [(False, COSTS.identifier), (True, COSTS.move)])
def test_a_node_with_two_ears_hears_by_its_identifier_only_who_keeps_that(
    by_name: bool, least: float
) -> None:
    """Two share an identifier: an offset is cheaper than a move, unless a receiver knows one."""
    rates = frozenset({500_000})
    name = Name(False, 0x40)
    frames = (Frames(name, 130, 10**8, 10**8),)
    q, x = (Sent(label, name, 1300.0, frames) for label in ("q/m", "x/m"))
    offset = (Option(), Option("offset", 0x100, COSTS.identifier))
    units = (
        Unit("r", "a", 0, (0,), rates, ()),
        Unit("r", "b", 1, (1,), rates, ()),
        Unit("q", "", 0, (0,), rates, (q,), offset),
        Unit("x", "", 0, (0, 1), rates, (x,)),
    )
    nets = tuple(Net(name, 500_000, (500_000,), 0.6) for name in ("one", "two"))
    wanted = (Wanted((0, 1), ((2, 0),), by_name),)
    found = search(Question(nets, units, wanted, costs=COSTS))
    assert found.cost == pytest.approx(least)


def held(programme: Programme, answer: Placement) -> dict[int, float]:
    """The choices of an answer as variables, all but which identifiers change."""
    rows = programme.rows
    options = dict(zip((u.node for u in programme.question.units), answer.option, strict=True))
    renamed = {message_at(c) for c in answer.renamed}
    return {
        **{v: float(answer.where[i] == k) for (i, k), v in rows.place.items()},
        **{v: float(answer.rates[k] == rate) for (k, rate), v in rows.rate.items()},
        **{v: float(options[node] == j) for (node, j), v in rows.option.items()},
        **{v: float(what in answer.carried) for what, v in rows.brought.items()},
        **{v: float(key in renamed) for key, v in rows.renamed.items()},
    }


def test_a_carried_message_gets_an_identifier_under_which_all_is_in_time() -> None:
    """At 125 kbit/s a frame of 130 bits takes 1.04 ms: only as the first of all it is through
    within 2.5 ms, one frame waited for; the identifier nearest to its own would be the last."""
    ms = 1_000_000

    def sent(label: str, number: int, deadline_ms: float) -> Sent:
        name = Name(False, number)
        return Sent(label, name, 0.0, (Frames(name, 130, 50 * ms, int(deadline_ms * ms)),))

    rates = frozenset({125_000})
    nets = tuple(Net(name, 125_000, (125_000,), 0.6) for name in "ab")
    there = tuple(sent(f"k/{n:x}", n, 50) for n in (0x10, 0x20, 0x40))
    question = Question(
        nets,
        (
            Unit("gate", "left", 0, (0,), rates),
            Unit("gate", "right", 1, (1,), rates),
            Unit("q", "", 0, (0,), rates, (sent("q/m", 0x40, 2.5),)),
            Unit("k", "", 1, (1,), rates, there),
        ),
        gateways=(Gateway("gate", (0, 1)),),
    )
    brought = frozenset({Carried(0, 2, 0, 1)})
    answer = Placement((0, 1, 0, 1), (0,) * 4, (125_000,) * 2, brought, brought)
    assert settle(question, answer, {}).renamed[Carried(0, 2, 0, 1)] < 0x10
    low = settle(question, answer, {1: ((0, 0xF),)}).renamed[Carried(0, 2, 0, 1)]
    assert low == 0x41, "where there is no such number, the nearest"


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
