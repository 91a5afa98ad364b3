"""When a behaviour came up in a capture, and whether it held: moments and spans."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from busplan.answers import Answer
from busplan.behaviour.formula import robustness, unit_of
from busplan.behaviour.report import BehaviourReport, Moment, Verdict
from busplan.behaviour.signals import Signals
from busplan.behaviour.steps import F64, I64, Steps, from_masks, least
from busplan.errors import UsageError
from busplan.findings import Finding
from busplan.frames.table import FrameTable
from busplan.plan.claims import Behaviour, Operand, messages, operands
from busplan.plan.problems import suggestion
from busplan.plan.vehicle import Vehicle

MOST_FAILURES = 200
"""Failures of one behaviour that are told one by one."""
_FAR = 1 << 60
Truth = npt.NDArray[np.int8]


def judge_behaviours(
    table: FrameTable,
    vehicle: Vehicle,
    behaviours: Sequence[Behaviour] | None = None,
    tolerated: Iterable[Finding] = (),
) -> BehaviourReport:
    """Judge ``behaviours`` (those of the plan when ``None``) by a capture.

    The table's networks bear the plan's names. :class:`busplan.errors.PlanError` when signals of
    different units are compared.
    """
    signals = Signals(table, vehicle)
    chosen = vehicle.behaviours if behaviours is None else behaviours
    verdicts = tuple(judge_one(b, signals) for b in chosen)
    span_s = table.span_ns / 1e9
    return BehaviourReport(verdicts, vehicle.name, vehicle.invented, span_s, tuple(tolerated))


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


@dataclass(frozen=True, eq=False)
class _Looked:
    """What was looked at: times (k,), what was found (1 held, -1 failed, 0 neither), margins."""

    time: I64
    found: Truth
    margin: F64
    margin_ns: F64
    until: I64
    """When it was right again, -1 where that was not seen."""
    open: npt.NDArray[np.bool_]

    def where(self, chosen: npt.NDArray[np.bool_]) -> _Looked:
        """Only some of them."""
        return _Looked(*(getattr(self, f.name)[chosen] for f in fields(self)))


def judge_one(behaviour: Behaviour, signals: Signals) -> Verdict:
    """One behaviour over one capture."""
    begin, end = _judged(behaviour, signals), signals.end_ns
    required = robustness(behaviour.require, signals)
    during = None if behaviour.during is None else robustness(behaviour.during, signals)
    looked_ns = 0
    if behaviour.becomes is not None:
        comes = robustness(behaviour.becomes, signals)
        looked, condition = _moments(behaviour, comes, during, required, (begin, end)), comes
    else:
        condition = Steps.constant(np.inf) if during is None else during
        looked, looked_ns = _spans(condition, required, (begin, end))
    return _verdict(behaviour, looked, signals, condition, begin, looked_ns)


def _judged(behaviour: Behaviour, signals: Signals) -> int:
    """The moment from which a behaviour is judged: each signal has come once, if it comes soon."""
    begin = signals.begin_ns
    for operand in _spoken(behaviour):
        traced = signals.traced(operand)
        if traced.first_ns is not None and traced.first_ns - signals.begin_ns <= traced.allowed_ns:
            begin = max(begin, traced.first_ns)
    return begin


def _spoken(behaviour: Behaviour) -> list[Operand]:
    return list(dict.fromkeys(o for c in behaviour.claims for o in operands(c)))


def _true_runs(steps: Steps, begin: int, end: int, wanted: int = 1) -> tuple[I64, I64, Truth]:
    """Where the truth is ``wanted`` within ``begin`` to ``end``: first times, ends, truth before.

    Each run holds from its first time up to, but not including, its end.
    """
    time, truth = steps.runs
    after = np.append(time[1:], end + 1)
    before = np.concatenate([[0], truth[:-1]]).astype(np.int8)
    chosen = (truth == wanted) & (after > begin) & (time <= end)
    first = time[chosen]
    clipped = first < begin
    known = before[chosen]
    known[clipped] = 0
    return np.maximum(first, begin), np.minimum(after[chosen], end + 1), known


def _moments(
    behaviour: Behaviour,
    comes: Steps,
    during: Steps | None,
    required: Steps,
    judged: tuple[int, int],
) -> _Looked:
    begin, end = judged
    time, _, before = _true_runs(comes, begin, end)
    inside = np.ones(len(time), np.int8) if during is None else during.truth_at(time)
    time, before, inside = (a[inside != -1] for a in (time, before, inside))
    window = behaviour.within_ns or 0
    stays = behaviour.stays_ns or 0
    goal = required.sliding(0, stays, largest=False) if stays else required
    if behaviour.before_ns is not None:
        window = -behaviour.before_ns
        low, high = goal.over(time + window, time, largest=not behaviour.forbids)
    else:
        low, high = goal.over(time, time + window, largest=not behaviour.forbids)
    found = (low >= 0).astype(np.int8) - (high < 0).astype(np.int8)
    # Come up before it was first heard: only a deadline that passed since then is certain.
    surely_late = behaviour.within_ns is not None and not behaviour.forbids
    unseen = before != -1
    found[unseen & ((found == 1) | (not surely_late))] = 0
    found[inside == 0] = 0
    margin_ns, until = _in_time(behaviour, goal, time, end)
    waits = time + max(window, 0) + stays > end
    looked = _Looked(
        time,
        found,
        np.where(found == 1, low, high),
        margin_ns,
        until,
        waits & (found == 0) & ~unseen & (inside == 1),
    )
    # What was so already at the beginning has not come up.
    return looked.where(~(unseen & (time == begin) & (found == 0)))


def _in_time(behaviour: Behaviour, goal: Steps, time: I64, end: int) -> tuple[F64, I64]:
    """Margins in time of each moment [ns], infinite where there is none; when it was right."""
    unknown = np.full(len(time), np.inf)
    nowhere = np.full(len(time), -1, np.int64)
    wanted = -1 if behaviour.forbids else 1
    times, truth = goal.runs
    ends = np.append(times[1:], _FAR)
    hits = truth == wanted
    first, last = times[hits], ends[hits]
    if behaviour.before_ns is not None:
        row = np.searchsorted(first, time, side="right") - 1
        seen = row >= 0
        age = np.where(seen, time - np.minimum(last[row] if len(last) else time, time), _FAR)
        if not len(first):
            return unknown, nowhere
        late = age - behaviour.before_ns if behaviour.forbids else behaviour.before_ns - age
        return np.where(seen, late, np.inf), nowhere
    if behaviour.within_ns is None and not behaviour.stays_ns:
        return unknown, nowhere
    window = behaviour.within_ns or 0
    if not len(first):
        late = window - (end - time)
        return (unknown if behaviour.forbids else np.where(late < 0, late, np.inf)), nowhere
    row = np.searchsorted(last, time, side="right")
    there = row < len(first)
    next_one = np.maximum(first[np.minimum(row, len(first) - 1)], time)
    if behaviour.forbids:
        return np.where(there, next_one - time - window, np.inf), nowhere
    waited = np.where(there, next_one - time, end - time)
    late = (window - waited).astype(np.float64)
    late[~there & (late >= 0)] = np.inf
    return late, np.where(there, next_one, -1)


def _spans(condition: Steps, required: Steps, judged: tuple[int, int]) -> tuple[_Looked, int]:
    """Each span with the condition, and how long they last in all [ns].

    Failures stand where the first one of a span begins, until it ends.
    """
    begin, end = judged
    time, stop, _ = _true_runs(condition, begin, end)
    low, high = required.over(time, stop - 1, largest=False)
    found = (low >= 0).astype(np.int8) - (high < 0).astype(np.int8)
    broken = from_masks(required.time, required.truth == -1, np.ones(len(required), np.bool_))
    inside = from_masks(condition.time, condition.truth == 1, np.ones(len(condition), np.bool_))
    wrong, right, _ = _true_runs(least(broken, inside), begin, end)
    first = np.searchsorted(wrong, time)
    beyond = np.searchsorted(wrong, stop)
    failed = found == -1
    at, until = time.copy(), np.full(len(time), -1, np.int64)
    longest = np.full(len(time), np.inf)
    if failed.any():
        at[failed] = wrong[first[failed]]
        until[failed] = np.where(right[first[failed]] <= end, right[first[failed]], -1)
        long = (right - wrong).astype(np.float64)
        pairs = np.stack([first[failed], beyond[failed]], axis=1).reshape(-1)
        longest[failed] = -np.maximum.reduceat(np.append(long, 0.0), pairs)[::2]
    margin = np.where(found == 1, low, high)
    looked = _Looked(at, found, margin, longest, until, np.zeros(len(time), np.bool_))
    return looked, int((stop - time).sum())


def _verdict(
    behaviour: Behaviour,
    looked: _Looked,
    signals: Signals,
    condition: Steps,
    begin: int,
    looked_ns: int,
) -> Verdict:
    told = looked.found != 0
    held = int((looked.found == 1).sum())
    failed = int((looked.found == -1).sum())
    open_, end = int(looked.open.sum()), signals.end_ns
    unsure = len(looked.found) - held - failed - open_
    answer = Answer.NOT_SHOWN
    if failed:
        answer = Answer.BAD
    elif held and not unsure:
        answer = Answer.GOOD
    unknown = _true_runs(condition, begin, end, wanted=0)
    unknown_s = float((unknown[1] - unknown[0]).sum()) / 1e9
    unit = unit_of(behaviour.require, signals)
    return Verdict(
        behaviour=behaviour,
        answer=answer,
        moments=behaviour.becomes is not None,
        came_up=len(looked.found),
        held=held,
        failed=failed,
        open=open_,
        unsure=unsure,
        margin=None if unit is None else _least(looked.margin[told]),
        unit=unit or "",
        margin_s=_seconds(_least(looked.margin_ns[told])),
        resolution_s=_resolution(behaviour, signals),
        looked_s=looked_ns / 1e9,
        span_s=(end + 1 - begin) / 1e9,
        unknown_s=unknown_s,
        failures=tuple(_failures(looked, signals.begin_ns, with_margin=unit is not None)),
        reason=_reason(behaviour, signals, looked, unsure, condition.truth_at(np.array([begin])))
        if answer is Answer.NOT_SHOWN
        else "",
    )


def _least(values: F64) -> float | None:
    finite = values[np.isfinite(values)]
    return float(finite.min()) if len(finite) else None


def _seconds(value_ns: float | None) -> float | None:
    return None if value_ns is None else value_ns / 1e9


def _failures(looked: _Looked, origin: int, *, with_margin: bool) -> list[Moment]:
    rows = np.flatnonzero(looked.found == -1)[:MOST_FAILURES]
    found = []
    for row in rows.tolist():
        margin, late = float(looked.margin[row]), float(looked.margin_ns[row])
        until = int(looked.until[row])
        found.append(
            Moment(
                at_s=(int(looked.time[row]) - origin) / 1e9,
                until_s=None if until < 0 else (until - origin) / 1e9,
                margin=margin if with_margin and np.isfinite(margin) else None,
                margin_s=late / 1e9 if np.isfinite(late) else None,
            )
        )
    return found


def _resolution(behaviour: Behaviour, signals: Signals) -> float | None:
    """How exactly moments are seen: the slowest signal of each side, together [s]."""
    sides = [
        [signals.traced(o).period_ns for c in side if c is not None for o in operands(c)]
        for side in ((behaviour.becomes, behaviour.during), (behaviour.require,))
    ]
    slowest = [max(side) for side in sides if side]
    total = sum(slowest)
    return total / 1e9 if slowest and np.isfinite(total) else None


def _reason(
    behaviour: Behaviour,
    signals: Signals,
    looked: _Looked,
    unsure: int,
    at_first: Truth,
) -> str:
    """Why it was neither seen to hold nor to fail."""
    missing = [o for o in _spoken(behaviour) if signals.traced(o).first_ns is None]
    if missing:
        more = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
        network = missing[0].address.network
        if not signals.recorded(network):
            return f"the network {network} is not in this capture"
        return f"{missing[0].address} never came{more}"
    quiet = [p for c in behaviour.claims for p in messages(c) if not signals.heard(p)]
    if quiet and not signals.recorded(quiet[0][0]):
        return f"the network {quiet[0][0]} is not in this capture"
    if quiet:
        return f"{'/'.join(quiet[0])} never came, so that nobody saw it stop"
    came_up = len(looked.found)
    if not came_up:
        before = "; it was so already when the capture began" if at_first[0] == 1 else ""
        return f"it never came up{before}"
    if unsure:
        return f"{unsure} of {came_up} with values not heard, or come up before they were heard"
    return f"{int(looked.open.sum())} of {came_up} still open when the capture ended"
