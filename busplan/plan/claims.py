"""What must hold between signals over time, as values: claims, and behaviours made of them.

The rules of this file: values are frozen; names are resolved to addresses, states to numbers, times
to nanoseconds. A *claim* is true or false of a moment; a *behaviour* says when it is looked at and
what has to hold then. What they mean exactly is told in :mod:`busplan.behaviour`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from busplan.plan.address import SignalAddress

Order = Literal["above", "at_least", "below", "at_most"]
OPPOSITE: dict[Order, Order] = {
    "above": "at_most",
    "at_most": "above",
    "below": "at_least",
    "at_least": "below",
}


@dataclass(frozen=True, slots=True)
class Operand:
    """A signal in a claim; ``quantity`` is its role of ``[pack.quantities]`` if named by it."""

    address: SignalAddress
    quantity: str | None = None


@dataclass(frozen=True, slots=True)
class Compare:
    """``signal`` against ``bound + plus`` [unit of the signal].

    A bound that is a signal counts as it was at the best moment of the last ``delay_ns``.
    """

    signal: Operand
    order: Order
    bound: float | Operand
    plus: float = 0.0
    delay_ns: int = 0
    strictest: bool = False
    """The bound at its worst moment instead: what negation makes of it."""


@dataclass(frozen=True, slots=True)
class Inside:
    """``signal`` from ``low`` to ``high``, or ``outside`` of them."""

    signal: Operand
    low: float
    high: float
    outside: bool = False


@dataclass(frozen=True, slots=True)
class InState:
    """``signal`` shows one of ``numbers``, called ``names``; ``other`` turns it round."""

    signal: Operand
    numbers: tuple[float, ...]
    names: tuple[str, ...]
    other: bool = False


@dataclass(frozen=True, slots=True)
class Silent:
    """No frame of a message for ``after_ns``; ``heard`` turns it round."""

    path: tuple[str, str, str]
    after_ns: int
    heard: bool = False


@dataclass(frozen=True, slots=True)
class Follows:
    """``signal`` lies where ``source`` was in the last ``delay_ns``, give or take ``tolerance``.

    That is between the lowest and the highest value of the source in that time.
    """

    signal: Operand
    source: Operand
    tolerance: float
    delay_ns: int = 0
    other: bool = False


@dataclass(frozen=True, slots=True)
class Counts:
    """``signal`` has grown as much as ``source`` since both were first heard, within tolerance."""

    signal: Operand
    source: Operand
    tolerance: float
    other: bool = False


@dataclass(frozen=True, slots=True)
class Held:
    """``claim`` has held throughout the last ``for_ns``; ``once`` makes it at some moment of it."""

    claim: Claim
    for_ns: int
    once: bool = False


@dataclass(frozen=True, slots=True)
class Several:
    """All of the claims hold, or at least one (``any_of``)."""

    claims: tuple[Claim, ...]
    any_of: bool = False


Claim = Compare | Inside | InState | Silent | Follows | Counts | Held | Several


def negated(claim: Claim) -> Claim:
    """The claim that holds exactly when this one does not."""
    match claim:
        case Compare():
            order = OPPOSITE[claim.order]
            return replace(claim, order=order, strictest=not claim.strictest)
        case Inside():
            return replace(claim, outside=not claim.outside)
        case Silent():
            return replace(claim, heard=not claim.heard)
        case Held():
            return replace(claim, claim=negated(claim.claim), once=not claim.once)
        case Several():
            return Several(tuple(map(negated, claim.claims)), any_of=not claim.any_of)
        case _:
            return replace(claim, other=not claim.other)


@dataclass(frozen=True, slots=True)
class Behaviour:
    """What must hold, and when it is looked at.

    ``becomes`` gives moments: whenever the claim comes to hold. ``during`` (``while`` in the plan)
    gives spans; with ``becomes`` only moments inside count. With neither all time counts.

    ``require`` is what must hold, already turned round where the plan says ``never`` (``forbids``).
    After a moment it must hold *at some time* of ``within_ns`` and then for ``stays_ns``, or before
    it at some time of ``before_ns``; what is forbidden must be absent *throughout*.
    """

    name: str
    require: Claim
    becomes: Claim | None = None
    during: Claim | None = None
    forbids: bool = False
    within_ns: int | None = None
    stays_ns: int | None = None
    before_ns: int | None = None
    note: str = ""
    source: str = ""
    ready: str = ""
    """Name in the library of ready ones, when taken from there."""
    line: int | None = None

    @property
    def claims(self) -> tuple[Claim, ...]:
        """Everything it speaks of."""
        return tuple(c for c in (self.becomes, self.during, self.require) if c is not None)


def operands(claim: Claim) -> tuple[Operand, ...]:
    """The signals of a claim, in order, each as often as it stands there."""
    match claim:
        case Compare(signal=signal, bound=bound):
            return (signal, bound) if isinstance(bound, Operand) else (signal,)
        case Inside() | InState():
            return (claim.signal,)
        case Follows() | Counts():
            return (claim.signal, claim.source)
        case Held():
            return operands(claim.claim)
        case Several():
            return tuple(o for c in claim.claims for o in operands(c))
        case _:
            return ()


def silences(claim: Claim) -> tuple[Silent, ...]:
    """All that is said of the silence of messages."""
    match claim:
        case Silent():
            return (claim,)
        case Held():
            return silences(claim.claim)
        case Several():
            return tuple(s for c in claim.claims for s in silences(c))
        case _:
            return ()


def messages(claim: Claim) -> tuple[tuple[str, str, str], ...]:
    """The messages of which silence is spoken."""
    return tuple(s.path for s in silences(claim))
