"""Three answers: evidence makes good, and less of it never makes a judgement better."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from busplan.answers import UNKNOWN, Answer, Interval, together

ANSWERS = st.lists(st.sampled_from(list(Answer)))


def test_nothing_looked_at_is_not_good():
    assert together([]) is Answer.NOT_SHOWN


@given(ANSWERS)
def test_good_only_when_all_are_and_bad_when_any_is(answers):
    whole = together(answers)
    assert (whole is Answer.BAD) == (Answer.BAD in answers)
    assert (whole is Answer.GOOD) == (bool(answers) and set(answers) == {Answer.GOOD})


@given(ANSWERS, st.integers(0, 20))
def test_an_answer_that_goes_missing_never_makes_good(answers, at):
    if answers and together(answers) is not Answer.GOOD:
        missing = [Answer.NOT_SHOWN if i == at % len(answers) else a for i, a in enumerate(answers)]
        assert together(missing) is not Answer.GOOD


def test_an_interval_holds_its_ends_and_an_unknown_one_nothing():
    assert 1.0 in Interval(1.0, 2.0)
    assert 2.5 not in Interval(1.0, 2.0)
    assert 1.0 not in UNKNOWN
    assert not UNKNOWN.known
    assert {a.mark for a in Answer} == {"+", "!", "?"}
