"""A claim over time: by how much it holds at every moment of a capture."""

from __future__ import annotations

from functools import reduce

import numpy as np

from busplan.behaviour.signals import Grown, Signals, Traced
from busplan.behaviour.steps import START, Steps, from_masks, least, minus, most
from busplan.errors import PlanError
from busplan.frames.columns import Mask
from busplan.pack.codes import says_unknown
from busplan.plan.claims import (
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
)

EXACT = 1e-9
"""A value that differs from its bound by less than this part of it stands at the bound."""
_BELOW_ZERO = -5e-324


def robustness(claim: Claim, signals: Signals) -> Steps:
    """By how much ``claim`` holds, at or above 0 exactly where it does; see the room's rules."""
    match claim:
        case Compare():
            return _compared(claim, signals)
        case Inside():
            value = signals.traced(claim.signal).steps
            above = value.shifted(-claim.low)
            below = value.turned().shifted(claim.high)
            if claim.outside:
                return _exact(most(above.turned(), below.turned()), claim.high, strict=True)
            return _exact(least(above, below), claim.high)
        case InState():
            return _in_state(claim, signals)
        case Silent():
            silent = signals.silence(claim.path, claim.after_ns)
            return silent.turned() if claim.heard else silent
        case Follows():
            return _followed(claim, signals)
        case Counts():
            return _counted(claim, signals)
        case Held():
            inner = robustness(claim.claim, signals)
            return inner.sliding(-claim.for_ns, 0, largest=claim.once)
        case Several():
            join = most if claim.any_of else least
            return reduce(join, (robustness(c, signals) for c in claim.claims))


def unit_of(claim: Claim, signals: Signals) -> str | None:
    """The one unit of all margins in a claim; ``None`` when they differ or there is none."""
    units = set(_units(claim, signals))
    return units.pop() if len(units) == 1 else None


def _units(claim: Claim, signals: Signals) -> list[str]:
    match claim:
        case Compare() | Inside() | Follows() | Counts():
            reading = signals.reading(claim.signal)
            return ["" if reading is None else reading.unit]
        case Held():
            return _units(claim.claim, signals)
        case Several():
            return [u for c in claim.claims for u in _units(c, signals)]
        case _:
            return []


def _exact(steps: Steps, size: float = 0.0, *, strict: bool = False) -> Steps:
    """What rounding left beside 0 at 0, and 0 below it where a claim is strict."""
    at_zero = _BELOW_ZERO if strict else 0.0
    near = EXACT * max(1.0, abs(size))
    low = np.where(np.abs(steps.low) < near, at_zero, steps.low)
    high = np.where(np.abs(steps.high) < near, at_zero, steps.high)
    return Steps(steps.time, low, high)


def _compared(claim: Compare, signals: Signals) -> Steps:
    traced = signals.traced(claim.signal)
    strict = claim.order in ("above", "below")
    upward = claim.order in ("above", "at_least")
    if isinstance(claim.bound, Operand):
        other = _alike(claim.signal, traced, claim.bound, signals)
        # The best bound is the lowest to lie above, the highest to lie below.
        highest = upward == claim.strictest
        bound = other.steps.sliding(-claim.delay_ns, 0, largest=highest).shifted(claim.plus)
        gap = minus(traced.steps, bound)
        size = 0.0
    else:
        size = claim.bound + claim.plus
        gap = traced.steps.shifted(-size)
    return _exact(gap if upward else gap.turned(), size, strict=strict)


def _alike(signal: Operand, traced: Traced, other: Operand, signals: Signals) -> Traced:
    """The other signal, which must be in the same unit."""
    found = signals.traced(other)
    if traced.unit != found.unit and traced.unit and found.unit:
        raise PlanError(
            f"{signals.vehicle.source}: {signal.address} is in {traced.unit} and {other.address} "
            f"in {found.unit}; a behaviour compares signals of one unit"
        )
    return found


def _in_state(claim: InState, signals: Signals) -> Steps:
    value = signals.traced(claim.signal).steps
    known = np.isfinite(value.low)
    shown = np.zeros(len(value), np.bool_)
    for number in claim.numbers:
        shown |= _is(value, number)
    reading = signals.reading(claim.signal)
    if reading is not None:
        # "Not available" is no state, unless the claim speaks of that very code.
        signal = reading.signal
        for raw, name in signal.choices.items():
            if says_unknown(name):
                known &= ~_is(value, float(raw * signal.scale + signal.offset)) | shown
    return from_masks(value.time, shown != claim.other, known)


def _is(value: Steps, number: float) -> Mask:
    """Where a state is shown; their numbers are whole steps apart, and less than that rounding."""
    return np.asarray(np.abs(value.low - number) <= EXACT * max(1.0, abs(number)), np.bool_)


def _followed(claim: Follows, signals: Signals) -> Steps:
    traced = signals.traced(claim.signal)
    source = _alike(claim.signal, traced, claim.source, signals).steps
    highest = source.sliding(-claim.delay_ns, 0, largest=True)
    lowest = source.sliding(-claim.delay_ns, 0, largest=False)
    near = least(minus(highest, traced.steps), minus(traced.steps, lowest))
    found = near.shifted(claim.tolerance)
    return _exact(found.turned() if claim.other else found, strict=claim.other)


def _counted(claim: Counts, signals: Signals) -> Steps:
    traced = signals.traced(claim.signal)
    other = _alike(claim.signal, traced, claim.source, signals)
    begin = _both_since(traced, other)
    if begin is None:
        return minus(_unwrapped(traced), _unwrapped(other))
    since = _grown(claim, signals)
    if since is None:
        return Steps(np.array([START]), np.array([-np.inf]), np.array([np.inf]))
    apart = minus(*since)
    near = least(apart, apart.turned()).shifted(claim.tolerance)
    early = near.time < begin
    low, high = np.where(early, -np.inf, near.low), np.where(early, np.inf, near.high)
    found = Steps(near.time, low, high)
    return _exact(found.turned() if claim.other else found, strict=claim.other)


def _both_since(traced: Traced, other: Traced) -> int | None:
    """When two signals had both come, ``None`` before that."""
    if traced.first_ns is None or other.first_ns is None:
        return None
    return max(traced.first_ns, other.first_ns)


def _grown(claim: Counts, signals: Signals) -> tuple[Steps, Steps] | None:
    """By how much two counters have grown since both had come; ``None`` where nobody knows."""
    both = [signals.traced(o) for o in (claim.signal, claim.source)]
    begin = _both_since(*both)
    if begin is None:
        return None
    before = signals.memory.grown.get((claim.signal, claim.source), ((begin, 0.0), (begin, 0.0)))
    found = []
    for traced, (time, grown) in zip(both, before, strict=True):
        counted = _unwrapped(traced)
        low = float(counted.at(np.array([time]))[0][0])
        # A value that was unknown then leaves all unknown.
        if not np.isfinite(low):
            return None
        found.append(counted.shifted(grown - low))
    return found[0], found[1]


def grown_until(claim: Counts, signals: Signals, until: int) -> tuple[Grown, Grown] | None:
    """How far two counters had come when they were last known up to a moment [ns]."""
    begin = _both_since(signals.traced(claim.signal), signals.traced(claim.source))
    since = _grown(claim, signals)
    if begin is None or begin > until or since is None:
        return None
    told = []
    for steps in since:
        known = np.flatnonzero(np.isfinite(steps.low) & (steps.time <= until))
        if not len(known):
            return None
        row = int(known[-1])
        stop = int(steps.time[row + 1]) - 1 if row + 1 < len(steps) else until
        told.append((min(stop, until), float(steps.low[row])))
    return told[0], told[1]


def counters(claim: Claim) -> tuple[Counts, ...]:
    """The claims of counters within a claim."""
    match claim:
        case Counts():
            return (claim,)
        case Held():
            return counters(claim.claim)
        case Several():
            return tuple(c for one in claim.claims for c in counters(one))
        case _:
            return ()


def looks_back(claim: Claim) -> int:
    """How far back from a moment a claim looks [ns], ages of values apart."""
    match claim:
        case Compare() | Follows():
            return claim.delay_ns
        case Silent():
            return claim.after_ns
        case Held():
            return claim.for_ns + looks_back(claim.claim)
        case Several():
            return max(map(looks_back, claim.claims))
        case _:
            return 0


def _unwrapped(traced: Traced) -> Steps:
    """A counter that begins anew at its end, counted on."""
    steps = traced.steps
    if traced.wrap is None:
        return steps
    known = np.flatnonzero(np.isfinite(steps.low))
    fell = np.diff(steps.low[known]) < -traced.wrap / 2
    turns = np.zeros(len(steps))
    turns[known[1:]] = fell * traced.wrap
    more = np.cumsum(turns)
    return Steps(steps.time, steps.low + more, steps.high + more)
