"""The three answers a judgement can give, and how several make one.

Good needs evidence: what was not looked at, not heard or could not have shown a fault is *not
shown*, never good. Taking data away can turn good into not shown, never the other way round.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite


class Answer(StrEnum):
    """What was found of one thing: a cell, a module, a message, a section, the whole."""

    GOOD = "good"
    """Looked at with enough evidence, and in order."""
    BAD = "bad"
    """Not in order."""
    NOT_SHOWN = "not shown"
    """Not looked at, or not well enough to tell."""

    @property
    def mark(self) -> str:
        """A one-character mark, so that no answer is told by colour alone."""
        return {"good": "+", "bad": "!", "not shown": "?"}[self.value]


def together(answers: Iterable[Answer]) -> Answer:
    """One answer for several: bad if any is, good only if there is one and all are."""
    seen = set(answers)
    if Answer.BAD in seen:
        return Answer.BAD
    return Answer.GOOD if seen == {Answer.GOOD} else Answer.NOT_SHOWN


@dataclass(frozen=True, slots=True)
class Interval:
    """Where a figure lies in 95 of 100 such tests; ends of NaN say that nothing is known."""

    low: float
    high: float

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high

    @property
    def known(self) -> bool:
        """Whether both ends are finite."""
        return isfinite(self.low) and isfinite(self.high)


UNKNOWN = Interval(float("nan"), float("nan"))
"""Nothing is known."""
