"""List and journal together: where each test stands."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from busplan.commission.entry import Entry, Journal, Result
from busplan.commission.repair import why_in_vain
from busplan.plan.planned_tests import PlannedTest
from busplan.plan.vehicle import Vehicle
from busplan.tables import Table, unit
from busplan.wording import CAUTION, counted, percent

PROVEN, FAILED, NOT_SHOWN, OPEN = "proven", "failed", "not shown", "open"
ORDER = (FAILED, NOT_SHOWN, OPEN, PROVEN)
MARKS = {PROVEN: "+", FAILED: "!", NOT_SHOWN: "?", OPEN: "."}


@dataclass(frozen=True, slots=True)
class TestState:
    """Where a test stands, and the entries that say something of it, oldest first.

    ``proof`` is the entry and result that decide; ``accepted`` the entry by which a failure was
    accepted, with its reason and name.
    """

    __test__ = False  # no test of pytest's

    test: PlannedTest
    state: str
    history: tuple[tuple[Entry, Result], ...] = ()
    proof: tuple[Entry, Result] | None = None
    accepted: Entry | None = None

    @property
    def mark(self) -> str:
        """A one-character mark."""
        return MARKS[self.state]

    @property
    def repaired(self) -> bool:
        """Whether it failed before it was proven."""
        return self.state == PROVEN and any(r.answer == FAILED for _, r in self.history)

    @property
    def passed_in_vain(self) -> str:
        """In words, that an entry after the failure passes and why it does not show it gone."""
        if self.state != FAILED or self.proof is None:
            return ""
        passes = [
            h for h in self.history if h[1].answer == PROVEN and h[0].number > self.proof[0].number
        ]
        if not passes:
            return ""
        why = why_in_vain(self.test, self.proof, passes[-1])
        return f"entry {passes[-1][0].number} passes, but {why}"


@dataclass(frozen=True, slots=True)
class StateRow:
    """A line of the table of tests."""

    number: int
    test: str
    kind: str
    state: str
    licensed: bool
    proof: str
    who: str
    time: str
    entry: int | None
    value: float | None
    limit_low: float | None
    limit_high: float | None
    value_unit: str
    held_min: float | None = field(metadata=unit("min"))


@dataclass(frozen=True, eq=False, repr=False)
class Commissioning:
    """The list of a build with where each test stands, and the journal behind it."""

    vehicle: str
    invented: bool
    tests: tuple[TestState, ...]
    journal: Journal
    strangers: tuple[str, ...] = ()
    """Tests that the journal speaks of and the plan has no more."""

    @cached_property
    def counts(self) -> dict[str, int]:
        """How many tests stand where."""
        return {s: sum(t.state == s for t in self.tests) for s in ORDER}

    @property
    def headline(self) -> str:
        """The whole in one line."""
        told = ", ".join(f"{n} {s}" for s, n in self.counts.items() if n)
        changed = "; THE JOURNAL HAS BEEN CHANGED" if self.journal.broken else ""
        return f"{counted(len(self.tests), 'test')}: {told or 'none'}{changed}"

    @property
    def unaccepted(self) -> tuple[TestState, ...]:
        """Tests that failed and that nobody accepted."""
        return tuple(t for t in self.tests if t.state == FAILED and t.accepted is None)

    @property
    def done(self) -> bool:
        """Whether every test is proven, and the journal whole."""
        proven = self.counts[PROVEN] == len(self.tests)
        return bool(self.tests) and proven and self.journal.whole

    def table(self) -> Table[StateRow]:
        """One row a test."""
        return Table("tests", StateRow, tuple(_row(i, t) for i, t in enumerate(self.tests, 1)))

    def to_frame(self) -> Any:
        """A pandas ``DataFrame``, one row a test."""
        return self.table().to_frame()

    def as_dict(self) -> dict[str, Any]:
        """Everything as plain values for JSON."""
        return {
            "vehicle": self.vehicle,
            "invented": self.invented,
            "headline": self.headline,
            "done": self.done,
            "counts": self.counts,
            "tests": [_test_dict(t) for t in self.tests],
            "strangers": list(self.strangers),
            "journal": {
                "entries": [e.as_dict() for e in self.journal.entries],
                "last": self.journal.last,
                "broken": list(self.journal.broken),
                "unfinished_line": bool(self.journal.torn),
            },
            "cautions": CAUTION,
        }


_EITHER_SIGN = ("V", "mV", "kV", "A", "mA")
"""Units of what reads below 0 when the leads of the meter are swapped."""


def answer_of(test: PlannedTest, value: float, minutes: float | None) -> str:
    """What a measured value, held for ``minutes``, says of a test.

    A voltage or current that has a greatest value only is held against it without its sign: swapped
    leads of a meter make nothing safe.
    """
    low = -math.inf if test.at_least is None else test.at_least
    high = math.inf if test.at_most is None else test.at_most
    bare = test.unit in _EITHER_SIGN and test.at_least is None and high >= 0
    if not low <= (abs(value) if bare else value) <= high:
        return FAILED
    held = test.for_min is None or (minutes is not None and minutes >= test.for_min)
    return PROVEN if held else NOT_SHOWN


def commissioning_of(vehicle: Vehicle, journal: Journal) -> Commissioning:
    """Where each test of a vehicle stands by a journal."""
    names = {t.name for t in vehicle.tests}
    told = {r.test: None for e in journal.entries for r in e.results if r.test not in names}
    return Commissioning(
        vehicle.name,
        vehicle.invented,
        tuple(_state(t, journal.entries, vehicle) for t in vehicle.tests),
        journal,
        tuple(told),
    )


def _by_plan(test: PlannedTest, result: Result, vehicle: Vehicle) -> Result:
    """A result by the limits that the plan has now: those it was entered with may have changed."""
    figures = result.figures or {}
    if test.kind == "load" and (then := figures.get("limit")) is not None:
        now = vehicle.networks[test.subject].load_limit
        if then == now or result.answer != PROVEN:
            return result
        told = f"{result.text}; the plan's limit is {percent(now, 0)} now"
        return replace(result, answer=NOT_SHOWN, text=told)
    value, minutes = figures.get("value"), figures.get("minutes")
    if test.kind != "measure" or not isinstance(value, int | float):
        return result
    if (was := figures.get("unit", test.unit)) != test.unit:
        units = f"{was or 'no unit'}, the plan wants {test.unit or 'none'} now"
        told = f"{result.text}; it was in {units}"
        return replace(result, answer=NOT_SHOWN, text=told)
    answer = answer_of(test, value, minutes if isinstance(minutes, int | float) else None)
    if answer == result.answer:
        return result
    told = f"{result.text}; the plan wants {test.limits_text} now"
    return replace(result, answer=answer, text=told)


def _state(test: PlannedTest, entries: Sequence[Entry], vehicle: Vehicle) -> TestState:
    corrected = {e.about for e in entries if e.kind == "corrected"}
    history = tuple(
        (e, _by_plan(test, r, vehicle))
        for e in entries
        if e.number not in corrected
        for r in e.results
        if r.test == test.name and e.kind in ("capture", "measured", "looked")
    )
    deciding = [h for h in history if h[1].answer in (PROVEN, FAILED)]
    if deciding:
        proof = _decides(test, deciding)
        accepted = next(
            (
                e
                for e in reversed(entries)
                if e.kind == "accepted" and e.about == proof[0].number and _speaks(e, test)
            ),
            None,
        )
        return TestState(test, proof[1].answer, history, proof, accepted)
    if history:
        return TestState(test, NOT_SHOWN, history, history[-1])
    return TestState(test, OPEN)


def _decides(test: PlannedTest, deciding: Sequence[tuple[Entry, Result]]) -> tuple[Entry, Result]:
    """The latest result; but a pass that could not show a failure is no proof that it is gone."""
    now = deciding[0]
    for later in deciding[1:]:
        fails = now[1].answer == FAILED and later[1].answer == PROVEN
        if not (fails and why_in_vain(test, now, later)):
            now = later
    return now


def _speaks(entry: Entry, test: PlannedTest) -> bool:
    return any(r.test == test.name for r in entry.results)


def remarks_of(test: PlannedTest, entries: Sequence[Entry]) -> Iterator[Entry]:
    """The remarks about a test, oldest first."""
    return (e for e in entries if e.kind == "remark" and _speaks(e, test))


def _row(number: int, state: TestState) -> StateRow:
    entry, result = state.proof or (None, None)
    value = (result.figures or {}).get("value") if result else None
    held = (result.figures or {}).get("minutes") if result else None
    return StateRow(
        number=number,
        test=state.test.name,
        kind=state.test.kind,
        state=state.state,
        licensed=state.test.licensed,
        proof=result.text if result else "",
        who=entry.who if entry else "",
        time=entry.time if entry else "",
        entry=entry.number if entry else None,
        value=_number(value),
        limit_low=state.test.at_least,
        limit_high=state.test.at_most,
        value_unit=state.test.unit,
        held_min=_number(held),
    )


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _test_dict(state: TestState) -> dict[str, Any]:
    test = state.test
    return {
        "test": test.name,
        "kind": test.kind,
        "subject": test.subject,
        "network": test.network,
        "limits": test.limits_text,
        "licensed": test.licensed,
        "caution": test.caution,
        "note": test.note,
        "source": test.source,
        "state": state.state,
        "repaired": state.repaired,
        "proof": None
        if state.proof is None
        else {"entry": state.proof[0].number} | state.proof[1].as_dict(),
        "accepted": None
        if state.accepted is None
        else {"by": state.accepted.who, "reason": state.accepted.text},
        "history": [{"entry": e.number, "answer": r.answer} for e, r in state.history],
    }
