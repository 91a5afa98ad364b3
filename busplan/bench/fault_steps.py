"""Faults that the tester makes by hand: what to do, what should be seen, when.

A node that is to be trusted has to come through a short, a broken wire, a missing terminator and a
low supply. busplan makes none of them: it says what to do and when, and judges what was recorded
(``fault_outcomes``). What should be seen: ISO 11898-1 (fault confinement, recovery from bus-off;
from memory), the rest common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Any, NamedTuple

from busplan.errors import UsageError
from busplan.wording import listing

SETTLE_S = 3.0
"""So long before each fault the node runs undisturbed, and once more after the last one."""
HOLD_S = 6.0
"""From the prompt to make a fault to the prompt to mend it."""
RECOVER_S = 10.0
"""So long after the prompt to mend it the node has to be back, the tester's hand included."""

CAUTION = (
    "Faults are made by hand, on the bench only: on the signal pair and the low-voltage supply, "
    "with the traction battery disconnected and locked out, never on a vehicle. A node whose bus "
    "fails may drive, heat or switch what it controls: keep hands, tools and people clear. Inside "
    "a part that holds high voltage, and wherever maker or local codes say so, this is work for a "
    "licensed person. Stop when anything is not as expected; Ctrl-C ends the test."
)


class FaultKind(NamedTuple):
    """What to do, how to undo it, what should be seen, and what to mind."""

    make: str
    mend: str
    expect: str
    mind: str


KINDS: Mapping[str, FaultKind] = MappingProxyType(
    {
        "short": FaultKind(
            "bridge CAN-H and CAN-L",
            "take the bridge away",
            "nothing is heard while it lasts, then the node comes back by itself, without a "
            "restart",
            "Only the two signal lines, at the bench's own plug.",
        ),
        "open": FaultKind(
            "open CAN-H between the node and the rest",
            "close CAN-H again",
            "errors, or nothing of the node; then it is back by itself, without a restart",
            "Its supply and its ground stay connected.",
        ),
        "terminator": FaultKind(
            "take one of the two terminators off",
            "put the terminator back",
            "on a short bench it goes on; errors say how little room is left",
            "Only one of them, and only on the bench.",
        ),
        "low-supply": FaultKind(
            "lower the node's low-voltage supply to the least its maker allows",
            "set the supply back",
            "it goes on with right values, or falls silent as a whole and starts again by itself",
            "A bench supply with its current limited; not below what the maker allows.",
        ),
    }
)
ALL = "all"


class FaultStep(NamedTuple):
    """One fault: from the prompt to make it to the prompt to mend it, and until when it is judged.

    All [ns], counted like ``BenchLimits.power_on_ns``.
    """

    kind: str
    make_ns: int
    mend_ns: int
    until_ns: int

    def moved(self, by_ns: int) -> FaultStep:
        """The step counted from another moment."""
        moments = (self.make_ns, self.mend_ns, self.until_ns)
        return FaultStep(self.kind, *(ns + by_ns for ns in moments))


class FaultAnswer(StrEnum):
    """What a fault by hand amounts to."""

    HELD = "held"
    """It was seen, and the node came through it."""
    FAILED = "failed"
    NOT_SHOWN = "not shown"
    """Nothing in the recording says that the fault was there."""


@dataclass(frozen=True, slots=True)
class FaultOutcome:
    """One fault by hand: the answer, in words why, and what was measured.

    ``silent_s`` is the node's longest silence over it, ``back_s`` how long after the prompt to mend
    it the node was heard again, the hand included; ``None`` when it was not silent then.
    ``counters_anew``: so many counters began anew at once. ``supply_low``: the lowest supply, where
    a signal shows that it fell.
    """

    kind: str
    answer: FaultAnswer
    words: str
    at_s: float
    errors: int
    silent_s: float | None
    back_s: float | None
    counters_anew: int
    supply_low: float | None

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {**asdict(self), "answer": self.answer.value}


def fault_plan(wanted: Sequence[str], seconds: float) -> tuple[tuple[FaultStep, ...], float]:
    """The steps of a test that first listens for ``seconds`` [s], and how long it takes in all [s].

    Raises :class:`UsageError` for a kind that there is not.
    """
    kinds = [k for name in wanted for k in (KINDS if name == ALL else (name,))]
    odd = [k for k in kinds if k not in KINDS]
    if odd:
        raise UsageError(f"--fault {odd[0]!r}: there are {listing(KINDS, 9)}, and {ALL}")
    steps = []
    at = max(seconds, SETTLE_S)
    for kind in dict.fromkeys(kinds):
        moments = (at, at + HOLD_S, at + HOLD_S + RECOVER_S)
        steps.append(FaultStep(kind, *(round(s * 1e9) for s in moments)))
        at = moments[-1] + SETTLE_S
    return tuple(steps), at


def fault_cues(steps: Sequence[FaultStep], node: str) -> Iterator[tuple[float, str]]:
    """What the tester is told, so long [s] after the start."""
    for number, step in enumerate(steps, 1):
        kind = KINDS[step.kind]
        count = f"Fault {number} of {len(steps)} at {node}"
        ready = f"{count}, soon: {kind.make}. {kind.mind} To be seen: {kind.expect}."
        yield step.make_ns / 1e9 - SETTLE_S + 0.5, ready
        yield step.make_ns / 1e9, f"{count}: {kind.make} NOW."
        yield step.mend_ns / 1e9, f"{count}: {kind.mend} NOW."
    if steps:
        yield steps[-1].until_ns / 1e9, "The faults are over; a moment more."
