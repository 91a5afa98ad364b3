"""What is to be looked at of a behaviour: moments at which it comes up, or spans that it lasts.

The rules of this file: claims have become steps before; a *part* of a capture is looked at, from
``since`` to ``until``, and what parts find, put together in order (:mod:`busplan.behaviour.tally`),
is what the whole finds.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from busplan.behaviour.steps import Steps, from_masks, least
from busplan.frames.columns import F64, I8, I64, Mask
from busplan.plan.claims import Behaviour

Truth = I8
_FAR = 1 << 60
NEVER = -_FAR
"""When something was that never was."""


@dataclass(frozen=True, eq=False)
class Weighed:
    """A behaviour's claims over a capture: when it comes up, while what, and what it requires.

    ``goal`` is what must be so at some time after a moment; ``end`` the last time of the capture;
    ``slack_ns`` how exactly moments are seen: what another moment within it would tell otherwise
    is told neither way.
    """

    behaviour: Behaviour
    required: Steps
    goal: Steps
    comes: Steps | None
    during: Steps | None
    end: int
    slack_ns: int = 0

    @property
    def condition(self) -> Steps:
        """What says that it is to be looked at."""
        if self.comes is not None:
            return self.comes
        return Steps.constant(np.inf) if self.during is None else self.during


@dataclass(frozen=True, eq=False)
class Moments:
    """Times (k,), what was found (1 held, -1 failed, 0 neither), margins, when it was right again.

    ``margin_ns`` is infinite where there is none; ``until`` is -1 where it was not seen; ``waits``
    says that both still depend on what comes, ``open`` that the capture ended too early, and
    ``close`` that it depends on less than moments are seen to.
    """

    time: I64
    found: Truth
    margin: F64
    margin_ns: F64
    until: I64
    waits: Mask
    open: Mask
    close: Mask

    def where(self, chosen: Mask) -> Moments:
        """Only some of them."""
        return Moments(*(getattr(self, f.name)[chosen] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Span:
    """One span: its first time, the least it holds by (an interval), and its failures.

    ``at`` and ``until`` are the first failure's, -1 where there is none or its end was not seen;
    ``longest_ns`` is the longest that has ended, ``wrong_since`` when one began that has not.
    ``close`` is 1 where something was wrong so near to its ends only that it is not certain.
    """

    time: int
    low: float
    high: float
    at: int = -1
    until: int = -1
    longest_ns: int = 0
    wrong_since: int = -1
    close: int = 0


@dataclass(frozen=True, eq=False)
class Spans:
    """Spans (k,) as columns, as in :class:`Span`.

    ``goes_on`` says that the first one began before the part; ``open`` that the last one lasts
    beyond it.
    """

    time: I64
    low: F64
    high: F64
    at: I64
    until: I64
    longest_ns: I64
    wrong_since: I64
    close: I64
    goes_on: bool
    open: bool

    def __len__(self) -> int:
        return len(self.time)

    def one(self, row: int) -> Span:
        """One of them."""
        return Span(**{name: getattr(self, name)[row].item() for name in _COLUMNS})

    def rows(self, first: int, last: int) -> Spans:
        """Those from ``first`` up to, but not including, ``last``."""
        columns: dict[str, Any] = {n: getattr(self, n)[first:last] for n in _COLUMNS}
        return Spans(**columns, goes_on=False, open=False)

    @staticmethod
    def of(span: Span) -> Spans:
        """A single one."""
        columns: dict[str, Any] = {n: np.array([getattr(span, n)]) for n in _COLUMNS}
        return Spans(**columns, goes_on=False, open=False)

    def with_first(self, span: Span, *, open_: bool) -> Spans:
        """With one before the others; ``open_`` says that the last one lasts beyond the part."""
        one = Spans.of(span)
        columns: dict[str, Any] = {
            n: np.concatenate([getattr(one, n), getattr(self, n)]) for n in _COLUMNS
        }
        return Spans(**columns, goes_on=False, open=open_)

    def ended(self, end: int) -> Spans:
        """With failures that last until ``end`` counted as far as they were seen."""
        lasted = np.where(self.wrong_since < 0, 0, end - self.wrong_since)
        return replace(self, longest_ns=np.maximum(self.longest_ns, lasted))


_COLUMNS = tuple(f.name for f in fields(Span))


def joined_spans(first: Span, second: Span, seam: int) -> Span:
    """Two parts of one span that meet at ``seam``."""
    low, high = min(first.low, second.low), min(first.high, second.high)
    at, until = (first.at, first.until) if first.at >= 0 else (second.at, second.until)
    longest = max(first.longest_ns, second.longest_ns)
    wrong = second.wrong_since
    if first.wrong_since >= 0:
        through = second.at == seam
        stop = second.until if through else seam
        if stop >= 0:
            longest = max(longest, stop - first.wrong_since)
        else:
            wrong = first.wrong_since
        if first.until < 0:
            until = stop
    return Span(
        time=first.time,
        low=low,
        high=high,
        at=at,
        until=until,
        longest_ns=longest,
        wrong_since=wrong,
        close=max(first.close, second.close),
    )


def ended_span(span: Span, seam: int) -> Span:
    """A span that ended with its part."""
    if span.wrong_since < 0:
        return span
    longest = max(span.longest_ns, seam - span.wrong_since)
    until = seam if span.until < 0 else span.until
    return replace(span, until=until, longest_ns=longest, wrong_since=-1)


@dataclass(frozen=True, eq=False)
class Runs:
    """Where a truth is as wanted: first times, ends (not included), the truth before (k,).

    ``goes_on`` says that the first one began before the part.
    """

    first: I64
    stop: I64
    before: Truth
    goes_on: bool


def runs_of(steps: Steps, since: int, until: int, wanted: int = 1) -> Runs:
    """Runs of the truth ``wanted`` within ``since`` to ``until``, cut off there."""
    time, truth = steps.runs
    after = np.append(time[1:], until + 1)
    before = np.concatenate([[0], truth[:-1]]).astype(np.int8)
    chosen = (truth == wanted) & (after > since) & (time <= until)
    first, known = time[chosen], before[chosen]
    goes_on = bool(len(first)) and int(first[0]) < since
    known[first < since] = 0
    return Runs(np.maximum(first, since), np.minimum(after[chosen], until + 1), known, goes_on)


def last_right(w: Weighed, since: int, until: int) -> int:
    """When it was last so in a part what a moment looks for before it (not included)."""
    runs = runs_of(w.goal, since, until, -1 if w.behaviour.forbids else 1)
    return int(runs.stop[-1]) if len(runs.stop) else NEVER


def look_at_moments(w: Weighed, since: int, *, first: bool, before: int = NEVER) -> Moments:
    """Moments from ``since`` on; ``first`` says that nothing is known of what was before.

    ``before`` is when it was last right, see :func:`in_time`.
    """
    assert w.comes is not None
    behaviour = w.behaviour
    runs = runs_of(w.comes, since, w.end)
    time, truth = runs.first, runs.before
    if runs.goes_on and not first:  # it came up in the part before
        time, truth = time[1:], truth[1:]
    inside = np.ones(len(time), np.int8) if w.during is None else w.during.truth_at(time)
    time, truth, inside = (a[inside != -1] for a in (time, truth, inside))
    window = (-(behaviour.before_ns or 0), behaviour.within_ns or 0)
    low, high = w.goal.over(time + window[0], time + window[1], largest=not behaviour.forbids)
    found = (low >= 0).astype(np.int8) - (high < 0).astype(np.int8)
    # Come up before it was first heard: only a deadline that passed since then is certain.
    surely_late = behaviour.within_ns is not None and not behaviour.forbids
    unseen = truth != -1
    found[unseen & ((found == 1) | (not surely_late))] = 0
    found[inside == 0] = 0
    margin_ns, until, waits = in_time(w, time, before=before)
    close = _close(w, time, found, margin_ns, window)
    found[close] = 0
    last = time + window[1] + (behaviour.stays_ns or 0)
    open_ = np.where(close, last + w.slack_ns, last) > w.end
    open_ &= (found == 0) & ~unseen & (inside == 1)
    looked = Moments(
        time=time,
        found=found,
        margin=np.where(found == 1, low, high),
        margin_ns=margin_ns,
        until=until,
        waits=waits,
        open=open_,
        close=close & ~open_,
    )
    # What was so already at the beginning has not come up.
    return looked.where(~(unseen & (time == since) & (found == 0))) if first else looked


def _close(w: Weighed, time: I64, found: Truth, margin_ns: F64, window: tuple[int, int]) -> Mask:
    """Moments at which what was found depends on less than moments are seen to.

    Failed has what failed at every moment within ``slack_ns`` of the one that was seen. Held has
    what was right at that very moment, or in time by as much.
    """
    slack, forbids = w.slack_ns, w.behaviour.forbids
    if not slack:
        return np.zeros(len(time), np.bool_)
    _, best = w.goal.sliding(*window, largest=not forbids).over(
        time - slack, time + slack, largest=True
    )
    at_once = np.zeros(len(time), np.bool_) if forbids else w.goal.truth_at(time) == 1
    barely = (found == 1) & (margin_ns < slack) & ~at_once
    return np.asarray(barely | (found == -1) & ~(best < 0))


def in_time(
    w: Weighed, time: I64, since: int | None = None, before: int = NEVER
) -> tuple[F64, I64, Mask]:
    """Margins in time of moments [ns], when it was right, and which still wait for that.

    Margins are infinite where there is none. Nothing before ``since`` is looked at: until then it
    was not right. ``before`` is when it last was, of what is not held any more.
    """
    behaviour, end = w.behaviour, w.end
    unknown = np.full(len(time), np.inf)
    nowhere = np.full(len(time), -1, np.int64)
    never = np.zeros(len(time), np.bool_)
    wanted = -1 if behaviour.forbids else 1
    times, truth = w.goal.runs
    ends = np.append(times[1:], _FAR)
    hits = truth == wanted
    first, last = times[hits], ends[hits]
    if behaviour.before_ns is not None:
        row = np.searchsorted(first, time, side="right")
        latest = np.concatenate([[before], last])[row]
        latest = np.minimum(np.maximum(latest, before), time)
        age = time - latest
        late = age - behaviour.before_ns if behaviour.forbids else behaviour.before_ns - age
        return np.where(latest == NEVER, np.inf, late), nowhere, never
    if behaviour.within_ns is None and not behaviour.stays_ns:
        return unknown, nowhere, never
    window = behaviour.within_ns or 0
    if not len(first):
        late = window - (end - time)
        waits = ~never
        return (unknown if behaviour.forbids else np.where(late < 0, late, np.inf)), nowhere, waits
    sought = time if since is None else np.maximum(time, since)
    row = np.searchsorted(last, sought, side="right")
    there = row < len(first)
    next_one = np.maximum(first[np.minimum(row, len(first) - 1)], sought)
    if behaviour.forbids:
        return np.where(there, next_one - time - window, np.inf), nowhere, ~there
    waited = np.where(there, next_one - time, end - time)
    late = (window - waited).astype(np.float64)
    late[~there & (late >= 0)] = np.inf
    return late, np.where(there, next_one, -1), ~there


def look_at_spans(w: Weighed, since: int, until: int) -> tuple[Spans, int]:
    """Each span with the condition in a part, and how long they last in all [ns]."""
    condition, required = w.condition, w.required
    runs = runs_of(condition, since, until)
    time, stop = runs.first, runs.stop
    low, high = required.over(time, stop - 1, largest=False)
    broken = from_masks(required.time, required.truth == -1, np.ones(len(required), np.bool_))
    inside = from_masks(condition.time, condition.truth == 1, np.ones(len(condition), np.bool_))
    if w.slack_ns:  # not where the condition may not have been so
        other = condition.truth == -1
        near = from_masks(condition.time, other, np.ones(len(condition), np.bool_))
        near = near.sliding(-w.slack_ns, w.slack_ns, largest=True)
        inside = least(inside, near.turned())
    wrongs = runs_of(least(broken, inside), since, until)
    wrong, right = wrongs.first, wrongs.stop
    first = np.searchsorted(wrong, time)
    beyond = np.searchsorted(wrong, stop)
    close = (high < 0) & (first == beyond)
    high = np.where(close, 0.0, high)
    failed = high < 0
    at, ended = np.full(len(time), -1, np.int64), np.full(len(time), -1, np.int64)
    longest = np.zeros(len(time), np.int64)
    since_when = np.full(len(time), -1, np.int64)
    if failed.any():
        at[failed] = wrong[first[failed]]
        ended[failed] = np.where(right[first[failed]] <= until, right[first[failed]], -1)
        long = np.where(right <= until, right - wrong, 0)
        pairs = np.stack([first[failed], beyond[failed]], axis=1).reshape(-1)
        longest[failed] = np.maximum.reduceat(np.append(long, 0), pairs)[::2]
        if right[-1] > until:
            since_when[-1] = wrong[-1]
    open_ = bool(len(stop)) and int(stop[-1]) > until
    columns = (time, low, high, at, ended, longest, since_when, close.astype(np.int64))
    spans = Spans(*columns, goes_on=runs.goes_on, open=open_)
    return spans, int((stop - time).sum())
