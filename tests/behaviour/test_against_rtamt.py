"""Claims and behaviours against a reference implementation of signal temporal logic.

The library rtamt (D. Nickovic and T. Yamaguchi, "RTAMT: online robustness monitors from STL", ATVA
2020) in its dense-time interpretation, where signals are steps, too. It clips windows at the ends
of a trace where busplan says that nothing is known, so only times whose windows lie inside count.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.stepped import S, Stepped, operand, steps

from busplan.behaviour.formula import robustness
from busplan.behaviour.judge import judge_one
from busplan.plan.claims import Behaviour, Claim, Compare, Held, Inside, Several, negated

rtamt = pytest.importorskip("rtamt")
END = 40
NAMES = ("a", "b")


@dataclass(frozen=True)
class Said:
    """A claim, the same as a formula of rtamt, and how far back it looks [s]."""

    claim: Claim
    formula: str
    back: int = 0


TRACE = st.lists(st.integers(1, END - 1), min_size=1, max_size=14, unique=True).flatmap(
    lambda times: st.lists(
        st.integers(-6, 6), min_size=len(times) + 1, max_size=len(times) + 1
    ).map(lambda values: list(zip([0, *sorted(times)], map(float, values), strict=True)))
)
TRACES = st.fixed_dictionaries(dict.fromkeys(NAMES, TRACE))
WORDS = {"above": ">", "at_least": ">=", "below": "<", "at_most": "<="}


@st.composite
def comparisons(draw: st.DrawFn) -> Said:
    name = draw(st.sampled_from(NAMES))
    order = draw(st.sampled_from(sorted(WORDS)))
    bound = draw(st.integers(-4, 4)) + 0.5
    if draw(st.booleans()):
        return Said(Compare(operand(name), order, bound), f"({name} {WORDS[order]} {bound})")
    other = NAMES[1 - NAMES.index(name)]
    return Said(
        Compare(operand(name), order, operand(other), 0.5),
        f"(({name} - {other}) {WORDS[order]} 0.5)",
    )


def _joined(parts: list[Said], any_of: bool) -> Said:
    word = " or " if any_of else " and "
    return Said(
        Several(tuple(p.claim for p in parts), any_of),
        f"({word.join(p.formula for p in parts)})",
        max(p.back for p in parts),
    )


def _held(inner: Said, seconds: int) -> Said:
    return Said(
        Held(inner.claim, seconds * S),
        f"(historically[0:{seconds}]{inner.formula})",
        inner.back + seconds,
    )


def _wider(inner: st.SearchStrategy[Said]) -> st.SearchStrategy[Said]:
    return st.one_of(
        st.builds(_joined, st.lists(inner, min_size=2, max_size=3), st.booleans()),
        st.builds(lambda p: Said(negated(p.claim), f"(not {p.formula})", p.back), inner),
        st.builds(_held, inner, st.integers(1, 6)),
    )


SAID = st.recursive(comparisons(), _wider, max_leaves=5)


def reference(formula: str, traces: dict[str, list[tuple[int, float]]]) -> tuple[np.ndarray, ...]:
    """Times [s] and robustness of a formula, which holds from each time on."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        spec = rtamt.StlDenseTimeSpecification()
        for name in NAMES:
            spec.declare_var(name, "float")
        spec.spec = formula
        spec.parse()
        found = spec.evaluate(
            *([n, [[t, v] for t, v in traces[n]] + [[END + 30, traces[n][-1][1]]]] for n in NAMES)
        )
    time, value = np.array(found, np.float64).T
    return time, value


def at(found: tuple[np.ndarray, ...], times: np.ndarray) -> np.ndarray:
    return found[1][np.searchsorted(found[0], times, side="right") - 1]


def signals(traces: dict[str, list[tuple[int, float]]]) -> Stepped:
    return Stepped({n: steps(t, END + 30) for n, t in traces.items()}, END)


@given(SAID, TRACES)
@settings(max_examples=60)
def test_claims(said: Said, traces: dict[str, list[tuple[int, float]]]) -> None:
    ours = robustness(said.claim, signals(traces))
    # Halves too: a step must hold between the times of the signals as well.
    times = np.arange(said.back, END, 0.5)
    low, high = ours.at((times * S).astype(np.int64))
    expected = at(reference(said.formula, traces), times)
    assert np.allclose(low, expected)
    assert np.allclose(high, expected)


@given(
    st.one_of(comparisons(), st.builds(_held, comparisons(), st.integers(1, 4))),
    SAID,
    st.integers(0, 8),
    st.integers(0, 4),
    st.sampled_from(["after", "never after", "before", "never before"]),
    TRACES,
)
@settings(max_examples=60)
def test_moments(
    comes: Said,
    wanted: Said,
    window: int,
    stays: int,
    how: str,
    traces: dict[str, list[tuple[int, float]]],
) -> None:
    forbids, back = "never" in how, "before" in how
    stays = 0 if forbids or back else stays
    behaviour = Behaviour(
        "b",
        negated(wanted.claim) if forbids else wanted.claim,
        becomes=comes.claim,
        forbids=forbids,
        within_ns=None if back else window * S,
        stays_ns=None if back or forbids else stays * S,
        before_ns=window * S if back else None,
    )
    verdict = judge_one(behaviour, signals(traces))
    goal = (
        f"(historically[0:0]{wanted.formula})"
        if not stays
        else f"(always[0:{stays}]{wanted.formula})"
    )
    word = {
        "after": f"(eventually[0:{window}]{goal})",
        "never after": f"(not (eventually[0:{window}]{wanted.formula}))",
        "before": f"(once[0:{window}]{wanted.formula})",
        "never before": f"(not (once[0:{window}]{wanted.formula}))",
    }[how]
    found = reference(word, traces)
    condition = reference(comes.formula, traces)
    # Where the condition comes to hold, seen false before and with all windows inside.
    times = np.unique(np.concatenate([condition[0], np.arange(1.0, END)]))
    times = times[(times > comes.back) & (times <= END)]
    value = at(condition, times)
    before = at(condition, times - 0.25)
    rises = times[(value > 0) & (before < 0)]
    reach = wanted.back + (window if back else 0)
    sure = rises[(rises >= reach) & (rises + (0 if back else window + stays) <= END)]
    expected = at(found, sure)
    assert verdict.failed >= int((expected < 0).sum())
    assert verdict.held >= int((expected > 0).sum())
    if len(sure) == len(rises) and not (at(condition, np.array([float(comes.back)])) > 0).any():
        assert (verdict.came_up, verdict.failed) == (len(rises), int((expected < 0).sum()))
        if len(rises) and verdict.margin is not None:
            assert verdict.margin == pytest.approx(float(expected.min()))


@given(SAID, SAID, TRACES)
@settings(max_examples=40)
def test_spans(during: Said, wanted: Said, traces: dict[str, list[tuple[int, float]]]) -> None:
    verdict = judge_one(Behaviour("b", wanted.claim, during=during.claim), signals(traces))
    found = reference(f"({during.formula} implies {wanted.formula})", traces)
    reach = max(during.back, wanted.back)
    times = np.arange(reach, END, 0.25)
    both = (
        at(reference(during.formula, traces), times),
        at(reference(wanted.formula, traces), times),
    )
    wrong = (both[0] > 0) & (both[1] < 0)
    assert np.array_equal(wrong, at(found, times) < 0)
    if wrong.any():
        assert verdict.failed
    if reach == 0:
        assert bool(verdict.failed) == bool(wrong.any())
        failed_at = {m.at_s for m in verdict.failures}
        assert all(0 <= t <= END for t in failed_at)
        if verdict.came_up:
            worst = float(both[1][both[0] > 0].min())
            assert verdict.margin == pytest.approx(worst)


@given(st.integers(-4, 4), st.integers(0, 4), st.booleans(), TRACES)
@settings(max_examples=20)
def test_inside_and_outside(
    low: int, width: int, outside: bool, traces: dict[str, list[tuple[int, float]]]
) -> None:
    high = low + width
    ours = robustness(Inside(operand("a"), low, high, outside), signals(traces))
    formula = f"((a >= {low}) and (a <= {high}))"
    times = np.arange(0, END, 0.5)
    expected = at(reference(f"(not {formula})" if outside else formula, traces), times)
    assert np.allclose(ours.at((times * S).astype(np.int64))[0], expected)
