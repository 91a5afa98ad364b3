"""A commissioning as lines of text: the list with where each test stands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busplan.answers import Answer
from busplan.commission.entry import Entry
from busplan.commission.state import FAILED, OPEN, ORDER, PROVEN, Commissioning, TestState
from busplan.plan.planned_tests import PlannedTest
from busplan.text.runs import wrapped
from busplan.wording import counted

if TYPE_CHECKING:
    from busplan.commission.drift import BuildDrift

MOST_PLACES = 20
"""Places of a changed journal that are listed."""
_INDENT = "    "
WHAT = {
    "capture": "by a capture of this kind",
    "bench": "by a capture of the node",
    "behaviour": "by a capture in which it comes up",
    "load": "by a capture of the network",
    "cycles": "by a capture of the network",
    "expect": "by a capture in which the node tells it",
    "measure": "measured",
    "look": "looked at",
}


def commission_lines(
    commissioning: Commissioning, width: int, *, details: bool = False
) -> list[str]:
    """The list, what needs work first; ``details`` tells what proves each test, too."""
    lines = wrapped(f"{commissioning.vehicle}: {commissioning.headline}", width)
    for place in commissioning.journal.broken[:MOST_PLACES]:
        lines += wrapped(f"# the journal: {place}", width, rest=_INDENT)
    for state in ORDER:
        chosen = [t for t in commissioning.tests if t.state == state]
        if not chosen:
            continue
        lines += ["", f"{state} ({len(chosen)})"]
        for test in chosen:
            lines += _test_lines(test, width, details=details or state == FAILED)
    if commissioning.strangers:
        number = counted(len(commissioning.strangers), "test")
        lines += ["", *wrapped(f"the journal speaks of {number} that the plan has no more", width)]
    return lines


def _test_lines(state: TestState, width: int, *, details: bool) -> list[str]:
    test = state.test
    said = (
        test.name
        if test.name.startswith(test.subject) or not test.by_hand
        else (f"{test.name}: {test.subject}")
    )
    limits = f", {test.limits_text}" if test.limits_text else ""
    by = ", by a licensed person" if test.licensed else ""
    lines = wrapped(f"{state.mark} {said}{limits}{by}", width, rest=_INDENT, figures=True)
    if state.state == OPEN and details:
        lines.append(f"{_INDENT}{WHAT[test.kind]}")
    if state.proof is not None and (details or state.repaired):
        entry, result = state.proof
        again = "failed before, now proven: " if state.repaired else ""
        text = f"{again}{result.text or result.answer} ({_who(entry)})"
        lines += wrapped(text, width, first=_INDENT, rest=_INDENT, figures=True)
    if state.passed_in_vain:
        lines += wrapped(state.passed_in_vain, width, first=_INDENT, rest=_INDENT)
    if state.accepted is not None:
        text = f"accepted by {state.accepted.who}: {state.accepted.text}"
        lines += wrapped(text, width, first=_INDENT, rest=_INDENT)
    if details and state.state != PROVEN:
        for text in (test.caution, test.note):
            if text:
                lines += wrapped(text, width, first=_INDENT, rest=_INDENT)
    return lines


def form_lines(state: TestState, width: int) -> list[str]:
    """What the form says of the test to be done: what, limits, cautions, what was entered."""
    lines = wrapped(test_question(state.test), width, figures=True)
    for text in (state.test.caution, state.test.note):
        if text:
            lines += wrapped(text, width)
    if state.proof is not None:
        entry, result = state.proof
        lines += wrapped(f"so far {result.text or result.answer} ({_who(entry)})", width)
    return lines


def drift_lines(drift: BuildDrift, width: int) -> list[str]:
    """What was compared with the commissioning, topic by topic, and what could not be."""
    lines = wrapped(drift.headline, width, figures=True)
    for one in drift.pack:
        answers = list(one.answers)
        bad, good = answers.count(Answer.BAD), answers.count(Answer.GOOD)
        mark = Answer.BAD.mark if bad else Answer.GOOD.mark if good else Answer.NOT_SHOWN.mark
        moved = f"{bad} moved" if bad else "none moved"
        text = f"{mark} {one.topic.value}: {moved}, {good} of {len(answers)} surely not"
        lines += wrapped(text, width, rest=_INDENT)
    for kind in ("load", "cycle", "insulation"):
        changes = [c for c in drift.changes if c.kind == kind]
        told = changes if kind != "cycle" else [c for c in changes if c.answer is not Answer.GOOD]
        for change in told:
            text = f"{change.answer.mark} {change.text}"
            lines += wrapped(text, width, rest=_INDENT, figures=True)
        if kind == "cycle" and (good := len(changes) - len(told)):
            lines.append(f"{Answer.GOOD.mark} cycles: {good} surely not moved")
    for text in drift.unlike:
        lines += wrapped(f"? not compared: {text}", width, rest=_INDENT)
    return lines


def _who(entry: Entry) -> str:
    captures = ", ".join(str(c["name"]) for c in entry.captures)
    of = f"{captures}, " if captures else ""
    return f"entry {entry.number}, {of}{entry.who or 'nobody named'}, {entry.time}"


def entry_lines(entry: Entry, width: int) -> list[str]:
    """One new entry and what it shows."""
    lines = wrapped(
        f"entry {entry.number}, {entry.time}, {entry.who or 'nobody named'}: {entry.kind}"
        f"{'' if entry.about is None else f' of entry {entry.about}'}"
        f"{': ' + entry.text if entry.text else ''}",
        width,
        rest=_INDENT,
    )
    for result in entry.results:
        mark = {"proven": "+", "failed": "!", "not shown": "?"}.get(result.answer, ".")
        lines += wrapped(
            f"{mark} {result.test}: {result.answer}{'; ' if result.text else ''}{result.text}",
            width,
            rest=_INDENT,
            figures=True,
        )
    return lines


def test_question(test: PlannedTest) -> str:
    """What a form asks of a test done by hand."""
    by = " (by a licensed person)" if test.licensed else ""
    if test.kind == "look":
        return f"{test.name}{by}: {test.subject}? yes, no, or empty for later"
    unit = f" [{test.unit}]" if test.unit else ""
    held = f", then a blank and the minutes (at least {test.for_min:g})" if test.for_min else ""
    return f"{test.name}{by}: {test.subject}{unit}, {test.limits_text}{held}; empty for later"
