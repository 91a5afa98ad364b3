"""Whether a pass shows that a failure is gone: it must have been able to show that very failure.

The rules of this file: pure, over what the journal keeps. What failed must have been judged again,
and under what made it fail: as long, as often, at as high a current, as warm or as cold at the
start. What the journal does not tell of a pass counts as not so.

All shares and degrees here: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from busplan.commission.entry import Entry, Result
from busplan.plan.planned_tests import PlannedTest
from busplan.wording import counted, listing, plain

AS_LONG = 0.9
"""So much of the time in which something failed it has to be heard for without; and so much of the
current at which a limit was passed has to flow again."""
AS_WARM_K = 5.0
"""So near to the start of the failed capture the warmest or coldest module has to start."""
TAKES_TIME = ("signals",)
"""Topics of the pack whose faults come and go: only as long a time shows them gone."""
Figures = Mapping[str, Any]


def why_in_vain(
    test: PlannedTest, failed: tuple[Entry, Result], passed: tuple[Entry, Result]
) -> str:
    """Why a pass does not show that a failure is gone, to follow "but"; empty when it may."""
    began, again = _recorded(failed[0]), _recorded(passed[0])
    if "" < again < began:
        return "was recorded before that"
    if "" < again == began and _files(passed[0]) != _files(failed[0]):
        # The same files may pass by a plan that was corrected; others of that moment may not.
        return "was recorded at the same time as that"
    judge = _BY_KIND.get(test.kind)
    if judge is None:
        return ""
    return next(judge(failed[1].figures or {}, passed[1].figures or {}), "")


def _recorded(entry: Entry) -> str:
    """When an entry's capture began, as text in the order of time; empty when nobody knows."""
    begins = [str(capture["from"]) for capture in entry.captures]
    return min(begins) if begins and all(b.endswith(" UTC") for b in begins) else ""


def _files(entry: Entry) -> frozenset[str]:
    return frozenset(str(capture.get("sha256")) for capture in entry.captures)


def _number(figures: Figures, name: str, unknown: float = 0.0) -> float:
    value = figures.get(name)
    return float(value) if isinstance(value, int | float) else unknown


def _rows(figures: Figures, name: str) -> list[Figures]:
    rows = figures.get(name)
    return [r for r in rows if isinstance(r, Mapping)] if isinstance(rows, list) else []


def _shorter(name: str, what: str) -> Callable[[Figures, Figures], Iterator[str]]:
    def judge(failed: Figures, passed: Figures) -> Iterator[str]:
        longest, last = _number(failed, name), _number(passed, name)
        if last < AS_LONG * longest:
            told = f"{what} for {plain(last, 3)} s only"
            yield f"{told}, and {plain(longest, 3)} s showed the failure"

    return judge


def _behaviour(failed: Figures, passed: Figures) -> Iterator[str]:
    """Once in so many times, or in so long a time, it failed."""
    came, times = _number(failed, "came_up"), max(_number(failed, "failed"), 1.0)
    again = _number(passed, "came_up")
    if again < AS_LONG * came / times:
        yield (
            f"it came up {counted(round(again), 'time')} there, and failed in {times:.0f} of "
            f"{came:.0f} before"
        )
    looked, over = _number(passed, "looked_s"), _number(failed, "looked_s") / times
    if looked < AS_LONG * over:
        yield (
            f"it was to hold for {plain(looked, 3)} s there, and failed once in {plain(over, 3)} s "
            "before"
        )


def _pack(failed: Figures, passed: Figures) -> Iterator[str]:
    before, now = failed.get("pack"), passed.get("pack")
    if not isinstance(before, Mapping):
        return
    if not isinstance(now, Mapping):
        yield "the journal does not tell what it showed"
        return
    open_ = [*_not_again(before, now, "sections"), *_not_again(before, now, "checks")]
    if open_:
        yield f"does not show {listing(open_, 3)}"
    bad = {r.get("name") for r in _rows(before, "sections") if r.get("answer") == "bad"}
    if bad.intersection(TAKES_TIME):
        yield from _shorter("span_s", "lasted")(before, now)
    yield from _limits(before, now)
    yield from _losses(before, now)


def _not_again(before: Figures, now: Figures, kind: str) -> Iterator[str]:
    """Names of what was bad before and is not good now, with why where it is told."""
    again = {r.get("name"): r for r in _rows(now, kind)}
    for row in _rows(before, kind):
        if row.get("answer") != "bad":
            continue
        name = str(row.get("name"))
        if name == "recording" or (kind == "sections" and name == "electrical"):
            continue  # the first is nothing of the pack, the second tells of its checks
        found = again.get(row.get("name"), {})
        if found.get("answer") != "good":
            why = found.get("missing")
            yield f"{name} ({why})" if why else name


_COLD = {"charging-too-cold": True, "temperature-low": True, "temperature-high": False}
"""Findings that want a start as cold, or as warm."""


def _limits(before: Figures, now: Figures) -> Iterator[str]:
    """A limit was passed in some use: the same use has to come again, and no gentler."""
    bad = [r for r in _rows(before, "limits") if r.get("answer") == "bad"]
    again = {(r.get("what"), r.get("mode")): r for r in _rows(now, "limits")}
    for row in bad:
        mode = str(row.get("mode"))
        if mode in ("charging", "discharging"):
            if again.get((row.get("what"), mode), {}).get("answer") != "good":
                yield f"does not show {row.get('what')} inside their limits while {mode}"
            most, last = (_number(p, f"most_{mode}_a") for p in (before, now))
            if last < AS_LONG * most:
                yield f"{mode} reached {plain(last, 3)} A only, and {plain(most, 3)} A before"
    if any(r.get("what") == "temperatures" for r in bad):
        yield from _shorter("span_s", "lasted")(before, now)
    codes = {r.get("code") for r in _rows(before, "findings")}
    for cold in {_COLD[c] for c in codes if c in _COLD}:
        yield from _as_extreme(before, now, cold=cold)


def _as_extreme(before: Figures, now: Figures, *, cold: bool) -> Iterator[str]:
    sign = 1.0 if cold else -1.0
    starts = []
    for figures in (before, now):
        known = [_number(m, "start_c", math.nan) for m in _rows(figures, "modules")]
        starts.append(min((sign * c for c in known if c == c), default=math.inf))
    if starts[0] == math.inf or starts[1] <= starts[0] + AS_WARM_K:
        return
    how, one = ("as cold", "coldest") if cold else ("as warm", "warmest")
    then = f"the {one} module was at {sign * starts[0]:.1f} °C"
    at = f"{sign * starts[1]:.1f} °C" if starts[1] < math.inf else "nobody knows what"
    yield f"did not start {how}: {then} before, at {at} there"


def _losses(before: Figures, now: Figures) -> Iterator[str]:
    """A cell that lost charge: its slope before has to lie outside of what it may be now."""
    if not any(r.get("code") == "cell-self-discharge" for r in _rows(before, "findings")):
        return
    lows = {r.get("cell"): _number(r, "slope_low_mv_h", -math.inf) for r in _rows(now, "cells")}
    for row in _rows(before, "cells"):
        slope, high = _number(row, "slope_mv_h"), _number(row, "slope_high_mv_h")
        if row.get("answer") == "bad" and high < 0.0 and lows.get(row["cell"], -math.inf) <= slope:
            told = f"{plain(-slope, 2)} mV/h that cell {row['cell']}"
            yield f"does not exclude the {told} lost before"


_BY_KIND: Mapping[str, Callable[[Figures, Figures], Iterator[str]]] = {
    "bench": _shorter("span_s", "heard it"),
    "load": _shorter("recorded_s", "measured it"),
    "cycles": _shorter("recorded_s", "measured them"),
    "behaviour": _behaviour,
    "capture": _pack,
}
