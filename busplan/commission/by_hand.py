"""What a person measured, looked at or says, as results: texts of people held against the list."""

from __future__ import annotations

import math
import re

from busplan.commission.entry import Journal, Result, Saying
from busplan.commission.state import FAILED, NOT_SHOWN, PROVEN, answer_of, commissioning_of
from busplan.errors import UsageError
from busplan.plan.planned_tests import PlannedTest
from busplan.plan.problems import suggestion
from busplan.plan.vehicle import Vehicle

LONGEST = 2000
"""Characters of a remark; what is longer belongs into a file of its own."""


def named_test(vehicle: Vehicle, name: str) -> PlannedTest:
    """A test by its name; :class:`busplan.errors.UsageError` when the list has none of it."""
    for test in vehicle.tests:
        if test.name == name:
            return test
    known = [t.name for t in vehicle.tests]
    raise UsageError(f'the list has no test "{name}"{suggestion(name, known, "test")}')


def measured(test: PlannedTest, text: str) -> Result:
    """``VALUE``, with the test's unit behind it or without, and the minutes it was held.

    :class:`busplan.errors.UsageError` when it is no number, in another unit, or a resistance below
    0.
    """
    if test.kind != "measure":
        raise UsageError(f'"{test.name}" is not measured; it is of the kind "{test.kind}"')
    if re.search(r"(?<![\d.,])[1-9]\d{0,2},\d{3}(?![\d.,])", text):
        raise UsageError(f'"{test.name}": "{text}" may be thousands or a decimal; write a point')
    words = text.replace(",", ".").split()
    minutes = None
    if len(words) > 1 and words[-1] == "min":
        minutes = _number(words[-2], test)
        words = words[:-2]
    elif len(words) > 1 and words[-1].endswith("min") and words[-1] != test.unit:
        minutes = _number(words[-1].removesuffix("min"), test)
        words = words[:-1]
    if len(words) == 2 and words[1] != test.unit:
        raise UsageError(f'"{test.name}" is in {test.unit or "no unit"}, not in {words[1]}')
    if not words or len(words) > 2:
        raise UsageError(f'"{test.name}" wants a number{_in(test)}, not "{text}"')
    value = _number(words[0], test)
    if value < 0 and "Ω" in test.unit:
        raise UsageError(f'"{test.name}": a resistance is never below 0; it was {value:g}')
    answer = answer_of(test, value, minutes)
    said = f"{value:g} {test.unit}".rstrip()
    figures: dict[str, object] = {"value": value, "unit": test.unit, "minutes": minutes}
    if minutes is not None:
        said += f" for {minutes:g} min"
    if answer == NOT_SHOWN:
        held = "how long is not told" if minutes is None else f"held {minutes:g} min"
        text = f"{said}; {held}, at least {test.for_min:g} min are wanted"
        return Result(test.name, answer, text, figures)
    verdict = "inside" if answer == PROVEN else "outside"
    return Result(test.name, answer, f"{said}, {verdict} {test.limits_text}", figures)


def _number(text: str, test: PlannedTest) -> float:
    try:
        value = math.nan if "_" in text else float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(f'"{test.name}" wants a number{_in(test)}, not "{text}"')
    return value


def _in(test: PlannedTest) -> str:
    return f" in {test.unit}" if test.unit else ""


def looked(test: PlannedTest, text: str) -> Result:
    """``yes`` or ``no``; :class:`busplan.errors.UsageError` for anything else."""
    if test.kind != "look":
        raise UsageError(f'"{test.name}" is not looked at; it is of the kind "{test.kind}"')
    word = text.strip().lower()
    if word in ("yes", "y"):
        return Result(test.name, PROVEN, "looked at: in order")
    if word in ("no", "n"):
        return Result(test.name, FAILED, "looked at: not in order")
    raise UsageError(f'"{test.name}" wants yes or no, not "{text}"')


def by_form(vehicle: Vehicle, name: str, value: str, text: str) -> tuple[Saying, ...]:
    """What a form says of one test: a value or what was seen, a remark, or both.

    :class:`busplan.errors.UsageError` when either cannot be, so that neither is entered.
    """
    test = named_test(vehicle, name)
    said = []
    if value:
        if test.kind == "look":
            said.append(Saying("looked", (looked(test, value),)))
        else:
            said.append(Saying("measured", (measured(test, value),)))
    if text:
        said.append(Saying("remark", (Result(test.name, "remark"),), text=remark(text)))
    return tuple(said)


def accepted(vehicle: Vehicle, journal: Journal, name: str, reason: str) -> Saying:
    """A failed test that is accepted as it is, for a reason.

    :class:`busplan.errors.UsageError` when it has not failed.
    """
    test = named_test(vehicle, name)
    state = next(t for t in commissioning_of(vehicle, journal).tests if t.test == test)
    if state.state != FAILED or state.proof is None:
        raise UsageError(f'"{name}" has not failed; it is {state.state}')
    about = state.proof[0].number
    return Saying("accepted", (Result(test.name, "accepted"),), text=reason, about=about)


def remark(text: str) -> str:
    """A remark of reasonable length; :class:`busplan.errors.UsageError` otherwise."""
    if not text.strip() or len(text) > LONGEST:
        raise UsageError(f"a remark has 1 to {LONGEST} characters; this one has {len(text)}")
    return text.strip()
