"""Examples worked by hand from the definitions.

The definitions: O. Maler and D. Nickovic, "Monitoring temporal properties of continuous signals"
(FORMATS 2004), semantics of until, eventually and always over closed windows; A. Donzé and
O. Maler, "Robust satisfaction of temporal logic over real-valued signals" (FORMATS 2010), margins
in space (definition 3) and in time. The figures are ours, worked on paper.
"""

from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.stepped import S, Stepped, operand, steps

from busplan.answers import Answer
from busplan.behaviour.formula import robustness
from busplan.behaviour.judge import judge_one
from busplan.behaviour.report import Verdict
from busplan.plan.claims import (
    Behaviour,
    Claim,
    Compare,
    Counts,
    Follows,
    Held,
    Inside,
    InState,
    negated,
)

A, B = operand("a"), operand("b", "Other")
HOT = Compare(A, "above", 40.0)
ON = Compare(B, "at_least", 1.0)


def judged(
    behaviour: Behaviour,
    end_s: float = 60.0,
    seen_s: float = 0.0,
    **signals: list[tuple[float, float]],
) -> Verdict:
    given = {n: steps(p, end_s + 1e-9) for n, p in signals.items()}
    return judge_one(behaviour, Stepped(given, end_s, seen_s))


def over(claim: Claim, at_s: list[float], **signals: list[tuple[float, float]]) -> list[float]:
    found = robustness(claim, Stepped({n: steps(p) for n, p in signals.items()}, 60.0))
    low, high = found.at((np.array(at_s) * S).astype(np.int64))
    assert np.array_equal(low, high)
    return low.tolist()


@pytest.mark.parametrize(
    ("comes_s", "answer", "margin_s"),
    [(12, "held", 8.0), (20, "held", 0.0), (20.001, "failed", -0.001), (50, "failed", -30.0)],
)
def test_a_reaction_is_in_time_or_late_by_so_much(
    comes_s: float, answer: str, margin_s: float
) -> None:
    # Hot from 10 s on; on within 10 s, the window closed at both ends.
    rule = Behaviour("fan", ON, becomes=HOT, within_ns=10 * S)
    verdict = judged(rule, a=[(0, 30), (10, 44)], b=[(0, 0), (comes_s, 1)])
    assert verdict.word == answer
    assert verdict.margin_s == pytest.approx(margin_s)
    assert verdict.came_up == 1
    if verdict.failed:
        assert (verdict.failures[0].at_s, verdict.failures[0].until_s) == (10.0, comes_s)


@pytest.mark.parametrize(
    ("comes_s", "answer"),
    [(10, "held"), (19.4, "held"), (19.7, "not shown"), (20.3, "not shown"), (20.5, "failed")],
)
def test_in_time_or_late_by_less_than_is_seen_is_neither(comes_s: float, answer: str) -> None:
    # Both signals come every 0.2 s: each may have changed 0.2 s before it was seen, 0.4 s in all.
    rule = Behaviour("fan", ON, becomes=HOT, within_ns=10 * S)
    verdict = judged(rule, seen_s=0.2, a=[(0, 30), (10, 44)], b=[(0, 0), (comes_s, 1)])
    assert verdict.word == answer
    assert verdict.close == (answer == "not shown")
    if verdict.close:
        assert "less than the 0.4 s to which moments are seen" in verdict.reason


def test_a_late_one_beside_one_in_time_leaves_it_not_shown() -> None:
    rule = Behaviour("fan", ON, becomes=HOT, within_ns=5 * S)
    verdict = judged(
        rule,
        seen_s=0.2,
        a=[(0, 30), (10, 44), (20, 30), (30, 44)],
        b=[(0, 0), (12, 1), (25, 0), (35.1, 1)],
    )
    assert (verdict.word, verdict.held, verdict.close) == ("not shown", 1, 1)


@pytest.mark.parametrize(
    ("wrong", "answer"),
    [((9, 10.3), "close"), ((9, 10.5), "failed"), ((15, 15.01), "failed"), ((29.7, 35), "close")],
)
def test_a_span_fails_by_what_lies_clear_of_its_ends(
    wrong: tuple[float, float], answer: str
) -> None:
    # Hot from 10 to 30 s, seen to 0.4 s: what is off until 10.3 s may have come on before it was
    # hot, a moment in the middle may not.
    rule = Behaviour("fan", ON, during=HOT)
    verdict = judged(
        rule,
        seen_s=0.2,
        a=[(0, 30), (10, 44), (30, 30)],
        b=[(0, 1), (wrong[0], 0), (wrong[1], 1)],
    )
    assert verdict.failed == (answer == "failed")
    assert verdict.close == (answer != "failed")


@given(
    st.lists(st.integers(1, 400), min_size=1, max_size=6, unique=True),
    st.integers(100, 300),
    st.integers(0, 60),
    st.integers(1, 20),
    st.sampled_from(["after", "never after", "before", "never before"]),
)
@settings(max_examples=200)
def test_no_moment_so_near_would_be_told_the_other_way(
    changes: list[int], moment: int, window: int, seen: int, how: str
) -> None:
    # The meaning itself: the moment moved by no more than it is seen to, and judged as if exact.
    forbids = how.startswith("never")
    rule = Behaviour(
        "fan",
        negated(ON) if forbids else ON,
        becomes=HOT,
        forbids=forbids,
        within_ns=window * S // 10 if "after" in how else None,
        before_ns=window * S // 10 if "before" in how else None,
    )
    b = [(0.0, 0.0)] + [(t / 10, float(i % 2 == 0)) for i, t in enumerate(sorted(changes))]

    def at(tenth: int, seen_s: float) -> Verdict:
        return judged(rule, seen_s=seen_s, a=[(0, 30), (tenth / 10, 44)], b=b)

    verdict = at(moment, seen / 20)
    near = [at(moment + by, 0.0).word for by in range(-seen, seen + 1)]
    if verdict.failed:
        assert set(near) == {"failed"}
    elif set(near) == {"failed"}:
        assert verdict.word == "failed"


def test_what_never_comes_is_late_by_at_least_what_was_seen() -> None:
    rule = Behaviour("fan", ON, becomes=HOT, within_ns=10 * S)
    verdict = judged(rule, a=[(0, 30), (10, 44)], b=[(0, 0)])
    assert verdict.answer is Answer.BAD
    assert verdict.margin_s == pytest.approx(-40.0)
    assert verdict.failures[0].until_s is None


def test_margins_in_the_unit_are_the_best_of_the_window_and_the_worst_of_all_moments() -> None:
    # At 10 s b reaches 3 in the window, at 30 s only 0.4: margins 3 - 1 and 0.4 - 1.
    rule = Behaviour("fan", ON, becomes=HOT, within_ns=5 * S)
    verdict = judged(
        rule,
        a=[(0, 30), (10, 44), (20, 30), (30, 44)],
        b=[(0, 0), (12, 3), (14, 0), (33, 0.4)],
    )
    assert (verdict.came_up, verdict.held, verdict.failed) == (2, 1, 1)
    assert verdict.margin == pytest.approx(-0.6)


def test_a_short_peak_is_no_reaction_that_stays() -> None:
    rule = Behaviour("fan", ON, becomes=HOT, within_ns=5 * S, stays_ns=3 * S)
    short = judged(rule, a=[(0, 30), (10, 44)], b=[(0, 0), (12, 1), (14, 0)])
    long = judged(rule, a=[(0, 30), (10, 44)], b=[(0, 0), (12, 1), (15.5, 0)])
    assert (short.word, long.word) == ("failed", "held")


def test_equality_counts_as_the_words_say() -> None:
    flat = [(0.0, 40.0)]
    for claim, holds in (
        (HOT, False),
        (negated(HOT), True),
        (Compare(A, "at_least", 40.0), True),
        (Compare(A, "below", 40.0), False),
        (negated(Compare(A, "at_most", 40.0)), False),
        (Inside(A, 40.0, 41.0), True),
        (negated(Inside(A, 40.0, 41.0)), False),
    ):
        assert (over(claim, [5], a=flat)[0] >= 0) is holds, claim


def test_rounding_beside_the_bound_is_the_bound() -> None:
    # 453 steps of 0.1 give 45.300000000000004 in binary numbers.
    assert over(Compare(A, "above", 45.3), [5], a=[(0, 453 * 0.1)])[0] < 0
    assert over(Compare(A, "at_most", 45.3), [5], a=[(0, 453 * 0.1)])[0] >= 0


def test_held_for_a_time_holds_from_the_end_of_that_time() -> None:
    claim = Held(HOT, 5 * S)
    assert over(
        claim, [14.999, 15, 20, 22, 22.001], a=[(0, 30), (10, 44), (22, 41), (22.001, 39)]
    ) == [
        -10,
        4,
        4,
        1,
        -1,
    ]


def test_before_means_seen_before() -> None:
    rule = Behaviour("order", ON, becomes=HOT, before_ns=3 * S)
    given = [(0.0, 0.0), (5.0, 1.0), (8.0, 0.0)]
    # The last moment on is just before 8 s; the window from 7 to 10 s holds some of it.
    held = judged(rule, a=[(0, 30), (10, 44)], b=given)
    late = judged(rule, a=[(0, 30), (11.5, 44)], b=given)
    assert (held.word, held.margin_s) == ("held", pytest.approx(1.0))
    assert (late.word, late.margin_s) == ("failed", pytest.approx(-0.5))


def test_never_in_the_time_before() -> None:
    rule = Behaviour("gap", negated(ON), becomes=HOT, before_ns=3 * S, forbids=True)
    near = judged(rule, a=[(0, 30), (10, 44)], b=[(0, 0), (5, 1), (8, 0)])
    far = judged(rule, a=[(0, 30), (12, 44)], b=[(0, 0), (5, 1), (8, 0)])
    assert (near.word, far.word) == ("failed", "held")
    assert far.margin_s == pytest.approx(1.0)


def test_never_came_up_is_not_held() -> None:
    rule = Behaviour("fan", ON, becomes=HOT, within_ns=10 * S)
    cold = judged(rule, a=[(0, 30)], b=[(0, 1)])
    assert (cold.word, cold.came_up, cold.reason) == ("not shown", 0, "it never came up")
    early = judged(rule, a=[(0, 44)], b=[(0, 1)])
    assert (early.word, early.came_up) == ("not shown", 0)
    assert "already when the capture began" in early.reason


def test_so_from_the_beginning_and_too_late_all_the_same_has_failed() -> None:
    rule = Behaviour("fan", ON, becomes=HOT, within_ns=10 * S)
    assert judged(rule, a=[(0, 44)], b=[(0, 0), (30, 1)]).word == "failed"


def test_open_at_the_end_is_neither() -> None:
    rule = Behaviour("fan", ON, becomes=HOT, within_ns=10 * S)
    verdict = judged(rule, a=[(0, 30), (55, 44)], b=[(0, 0)])
    assert (verdict.word, verdict.open, verdict.failed) == ("not shown", 1, 0)
    # One that held before makes it good: what is open says nothing against it.
    both = judged(rule, a=[(0, 30), (10, 44), (20, 30), (55, 44)], b=[(0, 0), (11, 1), (20, 0)])
    assert (both.word, both.held, both.open) == ("held", 1, 1)


def test_a_gap_makes_nothing_better() -> None:
    rule = Behaviour("fan", ON, during=HOT)
    whole = judged(rule, a=[(0, 30), (10, 44), (50, 30)], b=[(0, 1)])
    gap = steps([(0, 1.0), (25, 1.0)])
    gap.low[1], gap.high[1] = 1.0, 1.0
    lost = Stepped({"a": steps([(0, 30), (10, 44), (50, 30)]), "b": steps([(0, 1)], 20)}, 60)
    assert whole.word == "held"
    assert judge_one(rule, lost).word == "not shown"
    wrong = Stepped({"a": steps([(0, 30), (10, 44), (50, 30)]), "b": steps([(0, 0)], 20)}, 60)
    assert judge_one(rule, wrong).word == "failed"


def test_spans_tell_their_failures() -> None:
    rule = Behaviour("fan", ON, during=HOT)
    verdict = judged(
        rule,
        a=[(0, 30), (10, 44), (20, 30), (30, 44), (40, 30)],
        b=[(0, 1), (12, 0.5), (13, 1), (15, 0.2), (17, 1)],
    )
    assert (verdict.came_up, verdict.held, verdict.failed) == (2, 1, 1)
    assert verdict.margin == pytest.approx(-0.8)
    assert verdict.margin_s == pytest.approx(-2.0)
    assert [(m.at_s, m.until_s) for m in verdict.failures] == [(12.0, 13.0)]
    assert verdict.looked_s == pytest.approx(20.0)


def test_a_bound_that_is_a_signal_counts_as_it_was() -> None:
    # The request falls from 50 to 10 at 20 s; the current follows at 21.5 s.
    given = {"a": [(0, 48), (21.5, 9)], "b": [(0, 50), (20, 10)]}
    at_once = Behaviour("limit", Compare(A, "at_most", B))
    slack = Behaviour("limit", Compare(A, "at_most", B, delay_ns=2 * S))
    assert (judged(at_once, **given).word, judged(at_once, **given).margin) == ("failed", -38)
    assert (judged(slack, **given).word, judged(slack, **given).margin) == ("held", 1)
    # Turned round: above all of what it was, not above the least of it.
    above = over(negated(slack.require), [21.9, 22.5], a=[(0, 48)], b=given["b"])
    assert above == [-2, 38]


def test_following_lies_where_the_source_was() -> None:
    given = {"a": [(0, 0), (10.4, 5)], "b": [(0, 0), (10, 5)]}
    claim = Follows(A, B, tolerance=0.5, delay_ns=round(0.5 * S))
    assert judged(Behaviour("copy", claim), **given).word == "held"
    assert judged(Behaviour("copy", Follows(A, B, 0.5, round(0.3 * S))), **given).word == "failed"


def test_counting_the_same_through_a_gap_of_the_values() -> None:
    grow = [(float(t), 3.0 * t) for t in range(60)]
    same = [(t, v + 100) for t, v in grow]
    slow = [(t, 2.9 * t) for t, _ in grow]
    rule = Behaviour("count", Counts(A, B, tolerance=1.0))
    assert judged(rule, a=grow, b=same).word == "held"
    failed = judged(rule, a=grow, b=slow)
    # Apart by 0.1 a second: more than 1 from 11 s on (at 10 s just 1).
    assert (failed.word, failed.failures[0].at_s) == ("failed", 11.0)


def test_a_state_has_no_margin() -> None:
    closed = InState(B, (1.0,), ("Closed",))
    verdict = judged(Behaviour("order", closed, becomes=HOT), a=[(0, 30), (10, 44)], b=[(0, 1)])
    assert (verdict.word, verdict.margin) == ("held", None)
    assert over(closed, [5], b=[(0, 1)]) == [inf]
    assert over(negated(closed), [5], b=[(0, 1)]) == [-inf]


def test_what_one_frame_tells_it_tells_of_one_moment() -> None:
    # Both in one message, seen to 0.2 s: no moment lies between them.
    on = Compare(operand("b"), "at_least", 1.0)
    rule = Behaviour("fan", on, during=HOT)
    given = {"a": [(0, 30), (10, 44), (30, 30)], "b": [(0, 0), (10.1, 1)]}
    assert judged(rule, seen_s=0.2, **given).word == "failed"
