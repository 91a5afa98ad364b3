"""A behaviour as one sentence."""

from __future__ import annotations

from busplan.plan.claims import (
    Behaviour,
    Claim,
    Compare,
    Counts,
    Follows,
    Held,
    Inside,
    InState,
    Operand,
    Several,
    Silent,
    negated,
)

ORDERS = {
    "above": "is above",
    "at_least": "is at least",
    "below": "is below",
    "at_most": "is at most",
}


def _seconds(time_ns: int) -> str:
    return f"{time_ns / 1e9:g} s"


def _plus(value: float) -> str:
    return "" if not value else f" {'+' if value > 0 else '-'} {abs(value):g}"


def _pair(signal: Operand, other: Operand) -> tuple[str, str]:
    """Two names, with their networks where they are the same."""
    one, two = signal.address, other.address
    if one.signal != two.signal:
        return one.signal, two.signal
    return f"{one.network}/{one.signal}", f"{two.network}/{two.signal}"


def claim_words(claim: Claim) -> str:
    """What a claim says, without its full names."""
    match claim:
        case Compare(signal, order, bound, plus, delay):
            if isinstance(bound, Operand):
                name, other_name = _pair(signal, bound)
                late = f" of the last {_seconds(delay)}" if delay else ""
                return f"{name} {ORDERS[order]} {other_name}{late}{_plus(plus)}"
            return f"{signal.address.signal} {ORDERS[order]} {bound + plus:g}"
        case Inside(signal, low, high, outside):
            word = "lies outside" if outside else "lies in"
            return f"{signal.address.signal} {word} {low:g} to {high:g}"
        case InState(signal, _, names, other):
            return f"{signal.address.signal} is {'not ' if other else ''}{' or '.join(names)}"
        case Silent(path, after, heard):
            word = "has come within" if heard else "has been silent for"
            return f"{path[2]} {word} {_seconds(after)}"
        case Follows(signal, source, tolerance, delay, other):
            word = "does not follow" if other else "follows"
            late = f" within {_seconds(delay)}" if delay else ""
            name, other_name = _pair(signal, source)
            return f"{name} {word} {other_name}{late} to ±{tolerance:g}"
        case Counts(signal, source, tolerance, other):
            word = "does not count" if other else "counts"
            name, other_name = _pair(signal, source)
            return f"{name} {word} the same as {other_name} to ±{tolerance:g}"
        case Held(inner, for_ns, once):
            if once:
                return f"not ({claim_words(negated(inner))} for {_seconds(for_ns)})"
            return f"{claim_words(inner)} for {_seconds(for_ns)}"
        case Several(claims, any_of):
            joint = " or " if any_of else " and "
            return "(" + joint.join(map(claim_words, claims)) + ")"


def sentence(behaviour: Behaviour) -> str:
    """What a behaviour requires: when, and what."""
    when = []
    if behaviour.becomes is not None:
        when.append(f"when it becomes true that {claim_words(behaviour.becomes)}")
    if behaviour.during is not None:
        when.append(f"while {claim_words(behaviour.during)}")
    if not when:
        when.append("at all times")
    if behaviour.within_ns is not None:
        when.append(f"within {_seconds(behaviour.within_ns)} after")
    if behaviour.before_ns is not None:
        when.append(f"within {_seconds(behaviour.before_ns)} before")
    what = claim_words(negated(behaviour.require) if behaviour.forbids else behaviour.require)
    never = "never " if behaviour.forbids else ""
    stays = "" if behaviour.stays_ns is None else f", and so for {_seconds(behaviour.stays_ns)}"
    return f"{', '.join(when)}: {never}{what}{stays}"
