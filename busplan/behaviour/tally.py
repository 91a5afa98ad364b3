"""What has been found of one behaviour so far: counts, margins, failures, what is still open.

The rules of this file: parts of a capture are counted in order; what is counted stays, whatever of
its frames is forgotten. A moment that failed waits until it is right again, a span until it ends.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from busplan.behaviour.looking import (
    NEVER,
    Moments,
    Span,
    Spans,
    Weighed,
    ended_span,
    in_time,
    joined_spans,
    last_right,
    look_at_moments,
    look_at_spans,
    runs_of,
)
from busplan.frames.columns import F64, I64

MOST_FAILURES = 200
"""Failures of one behaviour that are told one by one."""


@dataclass(frozen=True, slots=True)
class Failure:
    """A failure: when, when it was right again (-1: not seen), and its margins."""

    at: int
    until: int
    margin: float
    margin_ns: float


@dataclass(frozen=True, slots=True)
class Tally:
    """Everything found from ``begin`` up to, but not including, ``since`` [ns].

    ``waiting`` are moments whose margin in time is not known yet and not part of ``margin_ns``;
    ``span`` lasts beyond ``since``.
    """

    begin: int
    since: int
    came_up: int = 0
    held: int = 0
    failed: int = 0
    open: int = 0
    unsure: int = 0
    close: int = 0
    margin: float = float("inf")
    margin_ns: float = float("inf")
    failures: tuple[Failure, ...] = ()
    waiting: I64 = field(default_factory=lambda: np.empty(0, np.int64))
    span: Span | None = None
    looked_ns: int = 0
    unknown_ns: int = 0
    so_at_first: bool = False
    right_until: int = NEVER
    """When what moments look for was last so."""

    def counted(self, w: Weighed, until: int) -> Tally:
        """With the part up to ``until`` [ns], of which all is decided that can be."""
        first = self.since == self.begin
        condition = w.condition
        unknown = runs_of(condition, self.since, until, wanted=0)
        at_first = bool(condition.truth_at(np.array([self.begin]))[0] == 1)
        grown = replace(
            self,
            since=until + 1,
            unknown_ns=self.unknown_ns + int((unknown.stop - unknown.first).sum()),
            so_at_first=at_first if first else self.so_at_first,
        )
        if w.comes is None:
            return grown._with_spans(*look_at_spans(w, self.since, until), self.since)
        looked = look_at_moments(w, self.since, first=first, before=self.right_until)
        right = last_right(w, self.since, until)
        grown = replace(grown, right_until=max(right, self.right_until))
        return grown._waited(w, self.since)._with_moments(
            looked.where(looked.time <= until), w.behaviour.forbids
        )

    def ended(self, w: Weighed) -> Tally:
        """As the capture's end leaves it."""
        now = self.counted(w, w.end)
        if len(now.waiting):
            late, _, _ = in_time(w, now.waiting, self.since)
            now = replace(now, margin_ns=min(now.margin_ns, _least(late)))
        if now.span is None:
            return now
        last = Spans.of(now.span).ended(w.end + 1)
        return replace(now, span=None)._with_closed(last)

    def begun_anew(self, begin: int) -> Tally:
        """What was found by the end, with another beginning: time does not go on from there."""
        return replace(
            self,
            begin=begin,
            since=begin,
            waiting=np.empty(0, np.int64),
            right_until=NEVER,
        )

    def _waited(self, w: Weighed, since: int) -> Tally:
        """With what the moments that wait have come to."""
        if not len(self.waiting):
            return self
        late, until, waits = in_time(w, self.waiting, since)
        failures = list(self.failures)
        if not w.behaviour.forbids:
            places = {f.at: i for i, f in enumerate(failures)}
            rows = zip(self.waiting.tolist(), late.tolist(), until.tolist(), strict=True)
            for at, margin, right in rows:
                if at in places:
                    old = failures[places[at]]
                    failures[places[at]] = replace(old, until=right, margin_ns=margin)
        return replace(
            self,
            margin_ns=min(self.margin_ns, _least(late[~waits])),
            failures=tuple(failures),
            waiting=self.waiting[waits],
        )

    def _with_moments(self, looked: Moments, forbids: bool) -> Tally:
        held, failed = looked.found == 1, looked.found == -1
        told = held | failed
        open_, close = int(looked.open.sum()), int(looked.close.sum())
        rows = np.flatnonzero(failed)[: MOST_FAILURES - len(self.failures)]
        waits = looked.waits & (held if forbids else failed)
        waiting = np.concatenate([self.waiting, looked.time[waits]])
        return replace(
            self,
            came_up=self.came_up + len(looked.found),
            held=self.held + int(held.sum()),
            failed=self.failed + int(failed.sum()),
            open=self.open + open_,
            unsure=self.unsure + int((~told).sum()) - open_ - close,
            close=self.close + close,
            margin=min(self.margin, _least(looked.margin[told])),
            margin_ns=min(self.margin_ns, _least(looked.margin_ns[told & ~waits])),
            failures=(
                *self.failures,
                *(
                    Failure(
                        int(looked.time[r]),
                        int(looked.until[r]),
                        float(looked.margin[r]),
                        float(looked.margin_ns[r]),
                    )
                    for r in rows.tolist()
                ),
            ),
            # They are all right at one moment: the first waits longest, the last is nearest to it.
            waiting=waiting[-1:] if forbids else waiting[:MOST_FAILURES],
        )

    def _with_spans(self, spans: Spans, looked_ns: int, seam: int) -> Tally:
        grown = replace(self, looked_ns=self.looked_ns + looked_ns, span=None)
        if self.span is not None:
            if spans.goes_on:
                joined = joined_spans(self.span, spans.one(0), seam)
                spans = spans.rows(1, len(spans)).with_first(joined, open_=spans.open)
            else:
                ended = ended_span(self.span, seam)
                spans = spans.with_first(ended, open_=spans.open)
        if spans.open:
            last = len(spans) - 1
            return replace(grown, span=spans.one(last))._with_closed(spans.rows(0, last))
        return grown._with_closed(spans)

    def _with_closed(self, spans: Spans) -> Tally:
        failed, held = spans.high < 0, spans.low >= 0
        told = held | failed
        close = (spans.close == 1) & ~told
        margin = np.where(held, spans.low, spans.high)
        longest = np.where(spans.at >= 0, -spans.longest_ns.astype(np.float64), np.inf)
        rows = np.flatnonzero(failed)[: MOST_FAILURES - len(self.failures)]
        return replace(
            self,
            came_up=self.came_up + len(spans),
            held=self.held + int(held.sum()),
            failed=self.failed + int(failed.sum()),
            unsure=self.unsure + int((~told & ~close).sum()),
            close=self.close + int(close.sum()),
            margin=min(self.margin, _least(margin[told])),
            margin_ns=min(self.margin_ns, _least(longest[told])),
            failures=(
                *self.failures,
                *(
                    Failure(
                        int(spans.at[r]),
                        int(spans.until[r]),
                        float(margin[r]),
                        float(longest[r]),
                    )
                    for r in rows.tolist()
                ),
            ),
        )


def _least(values: F64) -> float:
    finite = values[np.isfinite(values)]
    return float(finite.min()) if len(finite) else float("inf")
