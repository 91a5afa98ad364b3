"""A placement whose question or solver takes longer than its time: it is left behind, and said."""

from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from support.allot_plans import shuffled_plan
from support.command import Run, busplan

from busplan.allot import asking, too_large, wanted, whole
from busplan.allot.judging import Judging
from busplan.allot.problem import as_it_is
from busplan.allot.proposal_report import wanted_dict, wanted_sentences
from busplan.allot.wanted import Question, Wanted, find
from busplan.allot.whole import Limits
from busplan.cli import in_time as module
from busplan.cli.in_time import in_time
from busplan.plan.reader import OpenPlan, load_plan

LONG_S = 60.0
"""What never ends in these tests would end then, and they would fail."""


@pytest.fixture
def held() -> Iterator[Event]:
    """What waits for it goes on when the test is over."""
    event = Event()
    yield event
    event.set()


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(shuffled_plan(nodes=3, messages=2, load=0.2, tight=1.0), "utf-8")
    return path


def waiting(held: Event, real: Callable[..., Any]) -> Callable[..., Any]:
    def slow(*args: Any, **named: Any) -> Any:
        held.wait(LONG_S)
        return real(*args, **named)

    return slow


def test_a_question_that_takes_longer_than_the_time_ends_the_command(
    plan: Path, held: Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(whole, "ask", waiting(held, asking.ask))
    told: Run = busplan("allot", plan, "--seconds", "0.2")
    assert told.code == 3
    assert told.out == ""
    assert "3 nodes on 1 network: in 0.2 s not even the question was ready" in told.err
    for remedy in ("--seconds", "keep = true", "allowed = [", "guests = false", "--only identif"):
        assert remedy in told.err


def test_ctrl_c_ends_it_before_the_search_has_begun(held: Event) -> None:
    def search(limits: Limits) -> str:
        held.wait(LONG_S)
        return "found"

    assert in_time(search, 86_400.0, lambda: True) is None


def test_a_search_that_has_begun_is_waited_for_whatever_the_time(held: Event) -> None:
    begun: list[str] = []

    def search(limits: Limits) -> str:
        limits.told(None, 0.0, "placing")
        held.wait(0.2)
        return "the best so far"

    found = in_time(search, 0.0, lambda: True, lambda best, bound, doing: begun.append(doing))
    assert (found, begun) == ("the best so far", ["placing"])


def test_a_solver_that_does_not_end_in_time_is_left_behind(
    held: Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LATE_S", 0.0)
    solved: list[object] = []

    def search(limits: Limits) -> str:
        limits.told(None, 0.0, "placing")
        solved.append(limits.waited(lambda: held.wait(LONG_S)))
        return "the best so far"

    assert in_time(search, 0.0, lambda: False) == "the best so far"
    assert solved == [None]


def test_the_answer_is_told_though_what_one_error_takes_was_not_found_out(
    plan: Path, held: Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(wanted, "with_one_error", waiting(held, wanted.with_one_error))
    told = busplan("allot", plan, "--seconds", "3")
    assert told.code < 3
    assert "Nothing has to change" in told.out
    assert "Whether one bus error more could be borne was not found out in the time" in told.out


def test_what_was_not_found_out_is_no_answer_in_json_either(plan: Path) -> None:
    opened = OpenPlan(plan)
    found = find(Question(opened.vehicle, opened.changed), more=False)
    assert wanted_dict(found)["one_error"] is None
    assert not list(wanted_sentences(found))
    left = Wanted(found.proposal, found.want, open=True)
    assert wanted_dict(left)["one_error"]["solved"] is False


def test_more_places_than_memory_holds_are_refused_at_once(
    plan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three nodes on one network have three places."""
    monkeypatch.setattr(too_large, "MOST_PLACES", 2)
    told = busplan("allot", plan)
    assert (told.code, told.out) == (3, "")
    assert "3 nodes have 3 places to choose from, and a search takes 2 at most" in told.err
    assert "--only identifiers" in told.err
    monkeypatch.setattr(too_large, "MOST_PLACES", 3)
    assert busplan("allot", plan).code < 3


@pytest.mark.parametrize(("enough", "networks"), [(False, {0, 1}), (True, {0})])
def test_one_reason_is_looked_for_when_time_is_over(
    enough: bool, networks: set[int], tmp_path: Path
) -> None:
    """Two networks at 80 % load with identifiers in no good order: messages are late on both."""
    path = tmp_path / "late.toml"
    path.write_text(shuffled_plan(networks=2, nodes=18, messages=8, load=0.8, seed=11), "utf-8")
    question = asking.ask(load_plan(path)).question
    answer = as_it_is(question)
    assert {k for k, _ in Judging(question, lambda: enough).wrong(answer)} == networks
