"""Behaviours judged by a capture: how often each came up, whether it held, and why not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from busplan.answers import Answer
from busplan.behaviour.formula import robustness, unit_of
from busplan.behaviour.looking import Weighed
from busplan.behaviour.report import BehaviourReport, Moment, Verdict
from busplan.behaviour.signals import Signals
from busplan.behaviour.tally import Tally
from busplan.errors import UsageError
from busplan.findings import Finding
from busplan.frames.table import FrameTable
from busplan.plan.claims import Behaviour, Operand, messages, operands, silences
from busplan.plan.problems import suggestion
from busplan.plan.vehicle import Vehicle
from busplan.traffic.clock_steps import carried_on, longest_of_one_clock
from busplan.traffic.stopped import longest_unpaused
from busplan.transport.messages import Messages
from busplan.wording import plain


def judge_behaviours(
    table: FrameTable | Messages,
    vehicle: Vehicle,
    behaviours: Sequence[Behaviour] | None = None,
    tolerated: Iterable[Finding] = (),
) -> BehaviourReport:
    """Judge ``behaviours`` (those of the plan when ``None``) by a capture.

    Its networks bear the plan's names. :class:`busplan.errors.PlanError` when signals of different
    units are compared. Where the clock of the recording was set back, the longest part with one
    clock is judged, and nothing counts as held: the rest may have failed. So it is where everybody
    paused at once (:mod:`busplan.traffic.stopped`).
    """
    chosen = vehicle.behaviours if behaviours is None else behaviours
    frames = table.frames if isinstance(table, Messages) else table
    paths = {o.address[:3] for b in chosen for o in _spoken(b)}
    paths |= {path for b in chosen for c in b.claims for path in messages(c)}
    one_clock = longest_of_one_clock(frames, *carried_on(paths, vehicle))
    timed = frames if one_clock is None else one_clock.part
    unpaused = longest_unpaused(timed, vehicle, little=0.0)
    parts = [p for p in (one_clock, unpaused) if p is not None]
    signals = Signals(parts[-1].part if parts else table, vehicle)
    verdicts = tuple(judge_one(b, signals) for b in chosen)
    if parts:
        verdicts = tuple(map(_of_a_part, verdicts))
    return BehaviourReport(
        verdicts,
        vehicle.name,
        vehicle.invented,
        (signals.end_ns - signals.begin_ns) / 1e9,
        tuple(tolerated),
        signals.begin_ns,
        begin_s=(signals.begin_ns - frames.origin_ns) / 1e9,
        one_clock="; ".join(p.told for p in parts),
    )


def _of_a_part(verdict: Verdict) -> Verdict:
    """What a part of the recording alone shows."""
    if verdict.answer is not Answer.GOOD:
        return verdict
    return replace(
        verdict, answer=Answer.NOT_SHOWN, reason=f"{verdict.counts_text}, in the part judged alone"
    )


def chosen_behaviours(vehicle: Vehicle, names: Iterable[str]) -> tuple[Behaviour, ...]:
    """The behaviours of these names in plan order, all without any.

    :class:`busplan.errors.UsageError` when the plan has none, or none of a name.
    """
    if not vehicle.behaviours:
        raise UsageError(
            f"{vehicle.source} has no [[behaviour]] tables; `busplan behaviour --ready` shows what "
            "can be taken up"
        )
    wanted = tuple(names)
    known = [b.name for b in vehicle.behaviours]
    for name in wanted:
        if name not in known:
            raise UsageError(
                f'the plan has no behaviour "{name}"{suggestion(name, known, "behaviour")}'
            )
    return tuple(b for b in vehicle.behaviours if not wanted or b.name in wanted)


def judge_one(behaviour: Behaviour, signals: Signals) -> Verdict:
    """One behaviour over one capture."""
    begin = judged_from(behaviour, signals)
    return verdict_of(Tally(begin, begin), weighed(behaviour, signals), signals)


def weighed(behaviour: Behaviour, signals: Signals) -> Weighed:
    """The claims of a behaviour as steps."""
    required = robustness(behaviour.require, signals)
    stays = behaviour.stays_ns or 0
    return Weighed(
        behaviour,
        required,
        required.sliding(0, stays, largest=False) if stays else required,
        None if behaviour.becomes is None else robustness(behaviour.becomes, signals),
        None if behaviour.during is None else robustness(behaviour.during, signals),
        signals.end_ns,
        slack_ns(behaviour, signals),
    )


def judged_from(behaviour: Behaviour, signals: Signals) -> int:
    """The moment from which a behaviour is judged: each signal has come once, if it comes soon.

    So has each message of whose silence it speaks, if it came before that silence was reached.
    """
    begin = signals.begin_ns
    for operand in _spoken(behaviour):
        traced = signals.traced(operand)
        if traced.first_ns is not None and traced.first_ns - signals.begin_ns <= traced.allowed_ns:
            begin = max(begin, traced.first_ns)
    for silent in (s for c in behaviour.claims for s in silences(c)):
        first = signals.first_ns(silent.path)
        if first is not None and first - signals.begin_ns <= silent.after_ns:
            begin = max(begin, first)
    return begin


def _spoken(behaviour: Behaviour) -> list[Operand]:
    return list(dict.fromkeys(o for c in behaviour.claims for o in operands(c)))


def verdict_of(past: Tally, w: Weighed, signals: Signals) -> Verdict:
    """The verdict over all that was counted before, and what a capture adds to it."""
    behaviour, now = w.behaviour, past.ended(w)
    answer = Answer.NOT_SHOWN
    if now.failed:
        answer = Answer.BAD
    elif now.held and not now.unsure and not now.close:
        answer = Answer.GOOD
    unit = unit_of(behaviour.require, signals)
    return Verdict(
        behaviour=behaviour,
        answer=answer,
        moments=behaviour.becomes is not None,
        came_up=now.came_up,
        held=now.held,
        failed=now.failed,
        open=now.open,
        unsure=now.unsure,
        close=now.close,
        margin=None if unit is None else _finite(now.margin),
        unit=unit or "",
        margin_s=_seconds(_finite(now.margin_ns)),
        resolution_s=_resolution(behaviour, signals),
        looked_s=now.looked_ns / 1e9,
        span_s=(w.end + 1 - now.begin) / 1e9,
        unknown_s=now.unknown_ns / 1e9,
        failures=tuple(_failures(now, signals.begin_ns, with_margin=unit is not None)),
        reason=_reason(behaviour, signals, now) if answer is Answer.NOT_SHOWN else "",
    )


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _seconds(value_ns: float | None) -> float | None:
    return None if value_ns is None else value_ns / 1e9


def _failures(now: Tally, origin: int, *, with_margin: bool) -> Iterator[Moment]:
    for failure in now.failures:
        yield Moment(
            at_s=(failure.at - origin) / 1e9,
            until_s=None if failure.until < 0 else (failure.until - origin) / 1e9,
            margin=_finite(failure.margin) if with_margin else None,
            margin_s=_seconds(_finite(failure.margin_ns)),
        )


def _resolution(behaviour: Behaviour, signals: Signals) -> float | None:
    """How exactly moments are seen: the slowest signal of each side, together [s]."""
    sides = [
        [signals.seen_to_ns(o) for c in side if c is not None for o in operands(c)]
        for side in ((behaviour.becomes, behaviour.during), (behaviour.require,))
    ]
    slowest = [max(side) for side in sides if side]
    total = sum(slowest)
    return total / 1e9 if slowest and np.isfinite(total) else None


def slack_ns(behaviour: Behaviour, signals: Signals) -> int:
    """By how much two sides of a behaviour may be seen apart that came together [ns].

    None where there is one side only, or where one frame tells both at one moment.
    """
    sides = [
        {o.address[:3] for c in side if c is not None for o in operands(c)}
        for side in ((behaviour.becomes, behaviour.during), (behaviour.require,))
    ]
    both = sides[0] | sides[1]
    window = behaviour.within_ns or behaviour.before_ns or behaviour.stays_ns
    if not any(c for c in (behaviour.becomes, behaviour.during)) or (len(both) < 2 and not window):
        return 0
    return round((_resolution(behaviour, signals) or 0.0) * 1e9)


def _reason(behaviour: Behaviour, signals: Signals, now: Tally) -> str:
    """Why it was neither seen to hold nor to fail."""
    missing = [o for o in _spoken(behaviour) if signals.traced(o).first_ns is None]
    if missing:
        more = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
        network = missing[0].address.network
        if not signals.recorded(network):
            return f"nothing came on the network {network}"
        return f"{missing[0].address} never came{more}"
    quiet = [p for c in behaviour.claims for p in messages(c) if not signals.heard(p)]
    if quiet and not signals.recorded(quiet[0][0]):
        return f"nothing came on the network {quiet[0][0]}"
    if quiet:
        return f"{'/'.join(quiet[0])} never came, so that nobody saw it stop"
    if not now.came_up:
        before = "; it was so already when the capture began" if now.so_at_first else ""
        return f"it never came up{before}"
    if now.close:
        seen = _resolution(behaviour, signals) or 0.0
        return (
            f"{now.close} of {now.came_up} held or failed by less than the {plain(seen, 2)} "
            "s to which moments are seen"
        )
    if now.unsure:
        unsure = f"{now.unsure} of {now.came_up}"
        return f"{unsure} with values not heard, or come up before they were heard"
    return f"{now.open} of {now.came_up} still open when the capture ended"
