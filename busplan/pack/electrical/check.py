"""What a sense check says: its answer, one sentence, what is missing, and its figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busplan.answers import UNKNOWN, Answer, Interval
from busplan.findings import Finding
from busplan.pack.series import PackSeries
from busplan.plan.vehicle import PackLayout
from busplan.wording import listing


@dataclass(frozen=True, slots=True)
class SenseFigure:
    """A measured figure: where it lies in 95 of 100 such tests, and under what conditions.

    ``interval`` holds for what the messages told; the gain of a sensor that is wrong by a constant
    part is not in it.
    """

    name: str
    value: float
    unit: str
    interval: Interval = UNKNOWN
    conditions: str = ""


@dataclass(frozen=True, slots=True)
class SenseCheck:
    """One check: its name, its answer and one sentence with the figures.

    ``missing`` says, where the answer is *not shown*, what is missing or which test would show it.
    """

    name: str
    answer: Answer
    text: str
    missing: str = ""
    figures: tuple[SenseFigure, ...] = ()


Result = tuple[SenseCheck, list[Finding]]


def judged(
    name: str,
    text: str,
    findings: Sequence[Finding] = (),
    figures: Sequence[SenseFigure] = (),
) -> Result:
    """Bad with findings, good without any."""
    answer = Answer.BAD if findings else Answer.GOOD
    return SenseCheck(name, answer, text, "", tuple(figures)), list(findings)


def not_shown(name: str, text: str, missing: str, figures: Sequence[SenseFigure] = ()) -> Result:
    """Neither good nor bad: ``text`` is what was seen, ``missing`` what would show it."""
    return SenseCheck(name, Answer.NOT_SHOWN, text, missing, tuple(figures)), []


def unheard(name: str, series: PackSeries, layout: PackLayout, *needs: str) -> Result | None:
    """The answer where quantities that the check needs are not mapped or never came."""
    unmapped = [_words(n) for n in needs if n not in layout.quantities]
    if unmapped:
        text = f"the plan maps no {' and no '.join(unmapped)}"
        them = "them" if len(unmapped) > 1 else "it"
        what = f"map {them} in [pack.quantities] of the plan and record {them}"
        return not_shown(name, text, what)
    silent = [_words(n) for n in needs if series.quantity(n) is None]
    if silent:
        text = f"{listing(silent)} never came"
        them = "them" if len(silent) > 1 else "it"
        return not_shown(name, text, f"record the network that carries {them}")
    return None


def _words(name: str) -> str:
    return name.replace("_", " ").replace("dcdc", "DC-DC").replace("pre charge", "pre-charge")
