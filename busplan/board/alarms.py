"""Alarms: which limits were passed, from when to when, how far, and who has seen it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from busplan.board.latch import Change, Latch
from busplan.board.limits import Limit
from busplan.board.quantities import Quantities
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import F64, I8, I64
from busplan.replay.track import Track, tracks

MOST = 2000
"""So many alarms of one limit are told; a limit in the middle of noise would fill any list."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """One time a limit was passed [ns since the capture's first frame].

    Beyond since ``crossed_ns``, ``raised_ns`` when that had lasted long enough, ``cleared_ns`` when
    it had been back long enough, ``None`` while it stands. ``peak`` is how far it went.
    """

    limit: Limit
    label: str
    crossed_ns: int
    raised_ns: int
    cleared_ns: int | None
    peak: float
    peak_ns: int
    unit: str = ""
    digits: int = 0

    @property
    def weight(self) -> Weight:
        """How heavy it is."""
        return self.limit.weight

    def stands(self, t_ns: int) -> bool:
        """Whether it stands at a moment."""
        return self.raised_ns <= t_ns and (self.cleared_ns is None or t_ns < self.cleared_ns)

    @property
    def peak_text(self) -> str:
        """How far it went, with its unit."""
        return f"{self.peak:.{self.digits}f} {self.unit}".rstrip()

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "subject": self.limit.subject,
            "weight": self.weight.word,
            "limit": self.limit.value,
            "beyond": "above" if self.limit.above else "below",
            "unit": self.unit,
            "crossed_s": self.crossed_ns / 1e9,
            "raised_s": self.raised_ns / 1e9,
            "cleared_s": None if self.cleared_ns is None else self.cleared_ns / 1e9,
            "peak": None if self.peak != self.peak else self.peak,
            "peak_s": self.peak_ns / 1e9,
            "when": None if self.limit.when is None else str(self.limit.when),
            "of_plan": self.limit.of_plan,
        }


def judge(limits: Sequence[Limit], quantities: Quantities) -> tuple[Alarm, ...]:
    """All alarms of a capture by the time they were raised; set-aside signals raise none."""
    watch = Watch(limits)
    watch.feed(quantities, quantities.replay.span_ns)
    return watch.alarms


class Watch:
    """Limits watched over what comes, in pieces or at once: the alarms are the same.

    Times of :attr:`alarms` count from ``origin_ns`` of the capture that was fed last.
    """

    def __init__(self, limits: Sequence[Limit]) -> None:
        self._watched = [_Watched(limit) for limit in limits]

    def feed(self, quantities: Quantities, until_ns: int) -> None:
        """Judge what came since the last call, up to ``until_ns``."""
        whens = (w.limit.when.subject for w in self._watched if w.limit.when is not None)
        subjects = (*(w.limit.subject for w in self._watched), *whens)
        # All at once, so that each message is decoded once.
        tracks(quantities.replay, quantities.needed(subjects))
        for each in self._watched:
            if not quantities.set_aside(each.limit.subject):
                each.feed(quantities, until_ns)

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """All so far, by the time they were raised."""
        found = [a for each in self._watched for a in each.told]
        return tuple(sorted(found, key=lambda a: (a.raised_ns, -a.weight, a.limit.subject)))

    def shifted(self, forgotten_ns: int) -> None:
        """The capture's first frame is another one now, so much later: times count from there."""
        for each in self._watched:
            each.shift(forgotten_ns)


class _Watched:
    """One limit."""

    def __init__(self, limit: Limit) -> None:
        self.limit = limit
        self.alarms: list[Alarm] = []
        self._latch: Latch | None = None
        self._seen_ns = -1
        self._last: tuple[int, float] | None = None
        self._edges: tuple[I64, I8] = (np.empty(0, np.int64), np.empty(0, np.int8))
        self._offset_ns = 0

    def shift(self, forgotten_ns: int) -> None:
        self._offset_ns += forgotten_ns

    @property
    def told(self) -> list[Alarm]:
        """The alarms in the times of the capture that was fed last."""
        by = self._offset_ns
        if not by:
            return self.alarms
        return [
            replace(
                a,
                crossed_ns=a.crossed_ns - by,
                raised_ns=a.raised_ns - by,
                cleared_ns=None if a.cleared_ns is None else a.cleared_ns - by,
                peak_ns=a.peak_ns - by,
            )
            for a in self.alarms
        ]

    def feed(self, quantities: Quantities, until_ns: int) -> None:
        limit, track = self.limit, quantities.track(self.limit.subject)
        if track is None:
            return
        if self._latch is None:
            self._latch = Latch(limit.lasting_ns(track), limit.clearing_ns())
        # Inside, times go on from the very first frame, whatever has been forgotten since.
        until = until_ns + self._offset_ns
        time_ns = track.time_ns + self._offset_ns if self._offset_ns else track.time_ns
        first, last = np.searchsorted(time_ns, (self._seen_ns, until), "right").tolist()
        at, value = time_ns[first:last], track.value[first:last]
        condition = None
        points, held = at, value
        if limit.when is not None:
            edges = self._condition(quantities, until)
            inside = edges[0][(edges[0] > self._seen_ns) & (edges[0] <= until)]
            extra = np.setdiff1d(inside, at)
            points, held = self._with(at, value, extra, track.allowed_ns)
            place = np.searchsorted(edges[0], points, "right") - 1
            condition = np.where(place >= 0, edges[1][place], 0) if len(edges[0]) else None
            if condition is None:
                condition = np.zeros(len(points), np.int8)
        state = limit.states(track, points, held, condition)
        if self.alarms or (state == 1).any() or self._latch.raised:
            changes = self._latch.feed(points, state, track.allowed_ns, until)
            self._take(changes, quantities.label(limit.subject), track)
            self._peaks(at, value)
        else:
            self._latch.feed(points, state, track.allowed_ns, until)
        if len(at):
            self._last = int(at[-1]), float(value[-1])
        self._seen_ns = until

    def _with(self, at: I64, value: F64, extra: I64, allowed_ns: float) -> tuple[I64, F64]:
        """The values with more moments between them, at which the one before still holds."""
        every, all_values = at, value
        if self._last is not None:
            every = np.concatenate([[self._last[0]], at])
            all_values = np.concatenate([[self._last[1]], value])
        if not len(extra) or not len(every):
            return at, value
        place = np.searchsorted(every, extra, "right") - 1
        known = (place >= 0) & (extra - every[np.maximum(place, 0)] <= allowed_ns)
        more = np.where(known, all_values[np.maximum(place, 0)], np.nan)
        points = np.concatenate([at, extra])
        order = np.argsort(points, kind="stable")
        return points[order], np.concatenate([value, more])[order]

    def _condition(self, quantities: Quantities, until: int) -> tuple[I64, I8]:
        """When the condition begins and ends to hold, as steps: 1 holds, −1 does not, 0 unknown."""
        when = self.limit.when
        assert when is not None
        track = quantities.track(when.subject)
        if track is None:
            return self._edges
        time_ns = track.time_ns + self._offset_ns
        states = when.holds(track, track.value)
        end = np.append(time_ns[1:], until)
        allowed = int(min(track.allowed_ns, 2**62))
        gone = np.flatnonzero(end - time_ns > allowed)
        times = np.concatenate([time_ns, time_ns[gone] + allowed])
        values = np.concatenate([states, np.zeros(len(gone), np.int8)])
        order = np.argsort(times, kind="stable")
        times, values = times[order], values[order]
        old = self._edges[0] < (times[0] if len(times) else until + 1)
        times = np.concatenate([self._edges[0][old], times])
        values = np.concatenate([self._edges[1][old], values])
        turn = np.concatenate([[True], values[1:] != values[:-1]]) if len(values) else values > 0
        self._edges = times[turn], values[turn]
        return self._settled(*self._edges)

    def _settled(self, times: I64, values: I8) -> tuple[I64, I8]:
        settle = self.limit.settle_ns
        begins = np.flatnonzero(values == 1)
        if not settle or not len(begins):
            return times, values
        ends = np.append(times[1:], 2**62)[begins]
        good = times[begins] + settle < ends
        values = values.copy()
        values[begins] = -1
        at = np.concatenate([times, times[begins][good] + settle])
        states = np.concatenate([values, np.ones(int(good.sum()), np.int8)])
        order = np.argsort(at, kind="stable")
        return at[order], states[order]

    def _take(self, changes: Iterable[Change], label: str, track: Track) -> None:
        for change in changes:
            if not change.raised:
                if self.alarms and self.alarms[-1].cleared_ns is None:
                    self.alarms[-1] = replace(self.alarms[-1], cleared_ns=change.at_ns)
            elif len(self.alarms) < MOST:
                self.alarms.append(
                    Alarm(
                        limit=self.limit,
                        label=label,
                        crossed_ns=change.since_ns,
                        raised_ns=change.at_ns,
                        cleared_ns=None,
                        peak=float("nan"),
                        peak_ns=change.since_ns,
                        unit=track.unit,
                        digits=track.decimals,
                    )
                )

    def _peaks(self, at: I64, value: F64) -> None:
        """How far alarms went, with the values that came now."""
        for i in range(len(self.alarms) - 1, -1, -1):
            alarm = self.alarms[i]
            if len(at) and alarm.cleared_ns is not None and alarm.cleared_ns < at[0]:
                break
            self.alarms[i] = with_peak(alarm, at, value)


def with_peak(alarm: Alarm, at: I64, value: F64) -> Alarm:
    """The alarm with how far it went by some values of its signal, if further than it says."""
    stop = alarm.cleared_ns
    first = int(np.searchsorted(at, alarm.crossed_ns, "left"))
    last = len(at) if stop is None else int(np.searchsorted(at, stop, "right"))
    part = value[first:last]
    if not len(part) or np.isnan(part).all():
        return alarm
    above = alarm.limit.above
    i = int(np.nanargmax(part) if above else np.nanargmin(part))
    peak = float(part[i])
    if alarm.peak == alarm.peak and (alarm.peak >= peak if above else alarm.peak <= peak):
        return alarm
    return replace(alarm, peak=peak, peak_ns=int(at[first + i]))


def so_far(alarm: Alarm, track: Track | None, t_ns: int) -> Alarm:
    """The alarm as it was known at a moment: nothing of it is from later."""
    if alarm.cleared_ns is not None and alarm.cleared_ns <= t_ns:
        return alarm
    open_ = replace(alarm, cleared_ns=None, peak=float("nan"), peak_ns=alarm.crossed_ns)
    if track is None:
        return open_
    end = int(np.searchsorted(track.time_ns, t_ns, "right"))
    begin = int(np.searchsorted(track.time_ns, alarm.crossed_ns, "left"))
    return with_peak(open_, track.time_ns[begin:end], track.value[begin:end])


def alarm_findings(alarms: Iterable[Alarm]) -> list[Finding]:
    """Alarms as findings, for exit codes, lists and records."""
    found = []
    for alarm in alarms:
        limit, length = alarm.limit, None
        if alarm.cleared_ns is not None:
            length = (alarm.cleared_ns - alarm.crossed_ns) / 1e9
        lasted = "and stands" if length is None else f"for {length:.1f} s"
        while_ = f" while {limit.when}" if limit.when else ""
        figures = [Figure("limit", limit.value, alarm.unit), Figure("peak", alarm.peak, alarm.unit)]
        if length is not None:
            figures.append(Figure("length", length, "s"))
        found.append(
            Finding(
                "limit-passed",
                limit.weight,
                _where(limit.subject, alarm.raised_ns),
                f"{alarm.label} was {limit.beyond_text}{while_} {lasted}, at most "
                f"{alarm.peak_text}",
                why="The limit was set because what lies beyond it harms or warns."
                if not limit.of_plan
                else "The plan's limits of the pack or of its networks are not kept.",
                action="See what else happened at that time.",
                figures=tuple(figures),
            )
        )
    return found


def _where(subject: str, t_ns: int) -> Where:
    parts = subject.split("/") if " of " not in subject else []
    if len(parts) == 4:
        return Where(parts[0], parts[1], parts[2], parts[3], time_ns=t_ns)
    return Where(time_ns=t_ns)


def heaviest_of(alarms: Iterable[Alarm]) -> Weight | None:
    """The heaviest weight; ``None`` of no alarm."""
    return max((a.weight for a in alarms), default=None)
