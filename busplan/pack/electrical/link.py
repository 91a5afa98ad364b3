"""The link beside the pack: dead while the contactors are open, at pack voltage while closed.

* Open: the link falls. One that stays at pack voltage hangs on a contactor that did not open, or is
  discharged by nothing. It should be at 60 V within ``DISCHARGE_S`` (common practice, no source;
  the plan's ``link_discharge_s`` replaces it), so v(t) = v0 exp(-t/T) with T = time / ln(v0/60 V)
  (discharge of an RC circuit, any textbook of circuits). A link is accused when it was watched
  long enough to have fallen by ``FALL_SHARE`` and fell by less than half of what it should have.
* Of one contactor that welds while the other opens the link tells nothing, because no circuit is
  closed; it tells of it once the other side closes.
* Closed: the link lies within ``APART_SHARE`` of the pack (common practice, no source).
"""

from __future__ import annotations

from math import expm1, log
from typing import NamedTuple

import numpy as np

from busplan.answers import Interval
from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64
from busplan.pack.electrical.check import (
    Result,
    SenseFigure,
    judged,
    not_shown,
    unheard,
)
from busplan.pack.electrical.moments import (
    CLOSED,
    OPEN,
    SINGLES,
    Spans,
    all_closed,
    all_open,
    apart_s,
    contactor_states,
    near,
    single_states,
)
from busplan.pack.labels import clock, place
from busplan.pack.series import PackSeries, Trace
from busplan.pack.statistics import longest_run
from busplan.plan.vehicle import PackLayout
from busplan.wording import percent

DISCHARGE_S = 120.0
SAFE_V = 60.0
"""Up to here a direct voltage may be touched (UN R100, ISO 6469-3; second hand)."""
LEAST_TIME_LOG = 0.5
"""Packs of little over 60 V: the least logarithm that the time constant is reckoned with."""
AT_PACK = 0.9
"""From this share of the pack voltage on a link counts as being at it."""
FALL_SHARE = 0.04
LEAST_OPEN_S = 1.0
FEWEST = 3
RISE_SHARE = 0.5
"""A link that rises so far, by the pack voltage, while its circuit is open, hangs on the pack."""
APART_SHARE = 0.10
LASTING_S = 3.0
SETTLED_S = 1.0


def link_while_open(series: PackSeries, layout: PackLayout) -> Result:
    """Whether the link was off the pack while every contactor was told open."""
    name = "link while open"
    missing = unheard(name, series, layout, "link_voltage", "voltage")
    if missing is not None:
        return missing
    spans = all_open(series)
    if spans is None:
        return not_shown(
            name,
            "no contactor's state is heard",
            "map contactor_state, or plus_contactor and minus_contactor, in [pack.quantities]",
        )
    link, pack = series.quantities["link_voltage"], series.quantities["voltage"]
    watched = _watched(series, link, pack, spans)
    single = _one_side(series, link, pack, layout)
    if single is not None:
        return judged(name, single.summary, [single])
    if not watched:
        return not_shown(
            name,
            f"the contactors were open for {spans.longest():.1f} s at most",
            "record ten seconds before the key is turned, or after it is taken out",
        )
    hanging = [w for w in watched if w.at_pack and _stays(w, layout)]
    if hanging:
        worst = max(hanging, key=lambda w: w.length_s)
        finding = _welded(worst, layout, "all contactors were told open", "a contactor is welded")
        return judged(name, finding.summary, [finding])
    # What was at the pack for long enough, and does not hang there, has fallen.
    fallen = [w for w in watched if not w.at_pack or _long_enough(w, layout)]
    if not fallen:
        longest = max(watched, key=lambda w: w.length_s)
        needed = _needed_s(longest.volts, layout)
        return not_shown(
            name,
            f"the link stood at {percent(longest.last, 0)} of the pack for "
            f"{longest.length_s:.1f} s",
            f"whether it falls shows after {needed:.0f} s with the contactors open",
        )
    lowest = min(fallen, key=lambda w: w.last)
    text = (
        f"link down to {percent(max(lowest.last, 0.0), 0)} of the pack while all were open "
        "(one contactor alone that is welded does not show so)"
    )
    share = SenseFigure(
        "link share",
        100.0 * lowest.last,
        "%",
        Interval(100.0 * (lowest.last - lowest.error), 100.0 * (lowest.last + lowest.error)),
        f"all contactors open, {lowest.length_s:.1f} s watched",
    )
    return judged(name, text, figures=[share])


class _Watched(NamedTuple):
    """The link over one opening: shares of the pack voltage at its ends, and how long."""

    start_s: float
    length_s: float
    first: float
    last: float
    lowest: float
    volts: float
    error: float

    @property
    def at_pack(self) -> bool:
        return self.lowest >= AT_PACK


def _watched(series: PackSeries, link: Trace, pack: Trace, spans: Spans) -> list[_Watched]:
    states = contactor_states(series)
    slack = apart_s(link, states.trace) if states is not None else 0.0
    found = []
    for start, stop in zip(spans.start_s.tolist(), spans.stop_s.tolist(), strict=True):
        # What the recording begins with has been so before.
        begin = start + (slack if start > float(link.time_s[0]) else 0.0)
        rows = slice(*np.searchsorted(link.time_s, (begin, stop - slack)).tolist())
        time = link.time_s[rows]
        share = link.value[rows] / np.maximum(near(pack, time), 1e-3)
        known = np.isfinite(share)
        time, share = time[known], share[known]
        if len(time) < FEWEST or time[-1] - time[0] < LEAST_OPEN_S:
            continue
        part = max(len(share) // 4, 1)
        first, last = float(np.median(share[:part])), float(np.median(share[-part:]))
        volts = float(np.median(near(pack, time)))
        noise = float(np.std(np.diff(share))) / 1.4 + (link.step + pack.step) / max(volts, 1.0)
        length = float(time[-1] - time[0])
        found.append(
            _Watched(float(time[0]), length, first, last, float(share.min()), volts, 2.0 * noise)
        )
    return found


def _time_constant_s(volts: float, layout: PackLayout) -> float:
    """The slowest that a link may discharge with."""
    stated = layout.link_discharge_s or DISCHARGE_S
    return stated / max(log(max(volts, SAFE_V) / SAFE_V), LEAST_TIME_LOG)


def _needed_s(volts: float, layout: PackLayout) -> float:
    """How long a link must be watched until it should have fallen by ``FALL_SHARE``."""
    return -_time_constant_s(volts, layout) * log(1.0 - FALL_SHARE)


def _expected_fall(seen: _Watched, layout: PackLayout) -> float:
    # Between the middles of the first and the last quarter.
    return -expm1(-0.75 * seen.length_s / _time_constant_s(seen.volts, layout))


def _long_enough(seen: _Watched, layout: PackLayout) -> bool:
    return seen.length_s >= _needed_s(seen.volts, layout)


def _stays(seen: _Watched, layout: PackLayout) -> bool:
    if not _long_enough(seen, layout):
        return False
    return seen.first - seen.last < 0.5 * _expected_fall(seen, layout) * seen.first


def _welded(seen: _Watched, layout: PackLayout, when: str, which: str) -> Finding:
    return Finding(
        "contactor-welded",
        Weight.FAULT,
        place(layout.quantities["link_voltage"], seen.start_s),
        f"The link stood at {percent(seen.last, 0)} of the pack voltage for "
        f"{seen.length_s:.1f} s from {clock(seen.start_s)} while {when}: {which}, or "
        "nothing discharges the link.",
        "The vehicle's high voltage stays live although it is told off.",
        "Do not touch. Have licensed people prove it dead, then inspect the contactors and the "
        "discharge of the link.",
        (
            Figure("link share", 100.0 * seen.last, "%"),
            Figure("watched", seen.length_s, "s"),
            Figure("pack", seen.volts, "V"),
        ),
    )


def _one_side(series: PackSeries, link: Trace, pack: Trace, layout: PackLayout) -> Finding | None:
    """A link that rises to the pack while one side alone is closed: the other side is welded."""
    single = {n: single_states(series, n) for n in SINGLES}
    if any(s is None for s in single.values()):
        return None
    told = {n: s for n, s in single.items() if s is not None}
    sides = (
        ("minus", ("plus", "pre_charge"), "the plus or the pre-charge contactor is welded"),
        ("plus", ("minus",), "the minus contactor is welded"),
    )
    for closed, others, which in sides:
        spans = told[closed].where(CLOSED)
        for other in others:
            spans = spans.meet(told[other].where(OPEN))
        slack = max(apart_s(link, s.trace) for s in told.values())
        for start, stop in zip(spans.start_s.tolist(), spans.stop_s.tolist(), strict=True):
            rows = slice(*np.searchsorted(link.time_s, (start + slack, stop - slack)).tolist())
            time = link.time_s[rows]
            share = link.value[rows] / np.maximum(near(pack, time), 1e-3)
            if len(share) < FEWEST or not np.isfinite(share).all():
                continue
            seen = _Watched(
                start_s=float(time[0]),
                length_s=float(time[-1] - time[0]),
                first=float(share[0]),
                last=float(share[-1]),
                lowest=float(share.min()),
                volts=float(np.median(near(pack, time))),
                error=0.0,
            )
            before = _before(link, pack, start - slack)
            rises = before is not None and seen.lowest - before > RISE_SHARE
            if seen.at_pack and (rises or _stays(seen, layout)):
                return _welded(seen, layout, f"the {closed} contactor alone was closed", which)
    return None


def _before(link: Trace, pack: Trace, time_s: float) -> float | None:
    row = int(np.searchsorted(link.time_s, time_s)) - 1
    if row < 0:
        return None
    volts = float(near(pack, link.time_s[row : row + 1])[0])
    return float(link.value[row]) / volts if volts > 0 else None


def link_while_closed(series: PackSeries, layout: PackLayout) -> Result:
    """Whether the link was at pack voltage while the main contactors were told closed."""
    name = "link while closed"
    missing = unheard(name, series, layout, "link_voltage", "voltage")
    if missing is not None:
        return missing
    spans = all_closed(series)
    link, pack = series.quantities["link_voltage"], series.quantities["voltage"]
    if spans is None:
        return not_shown(
            name,
            "no contactor's state is heard",
            "map contactor_state, or plus_contactor and minus_contactor, in [pack.quantities]",
        )
    time = link.time_s
    slack = SETTLED_S + apart_s(link, pack)
    share: F64 = link.value / np.maximum(near(pack, time), 1e-3)
    use = spans.inside(time, slack, slack) & np.isfinite(share)
    if use.sum() < FEWEST:
        return not_shown(
            name, "the contactors were not closed for long", "record some seconds with them closed"
        )
    middle = float(np.median(share[use]))
    off = use & (np.abs(share - 1.0) > APART_SHARE)
    start, length = longest_run(time, np.asarray(off))
    # What lies apart at every reading is so however short the closing was.
    if length < LASTING_S and not (off.sum() == use.sum() and length >= SETTLED_S):
        if off.sum() > 0.5 * use.sum():
            return not_shown(
                name,
                f"the link stood at {percent(middle, 0)} of the pack, but for {length:.1f} s only",
                "record some seconds with the contactors closed",
            )
        low, high = np.percentile(share[use], (2.5, 97.5)).tolist()
        figure = SenseFigure(
            "link share", 100.0 * middle, "%", Interval(100.0 * low, 100.0 * high),
            f"contactors closed, {int(use.sum())} readings",
        )  # fmt: skip
        return judged(name, f"link at {percent(middle)} of the pack while closed", figures=[figure])
    worst = float(np.median(share[off]))
    finding = Finding(
        "link-not-at-pack",
        Weight.FAULT,
        place(layout.quantities["link_voltage"], start),
        f"The link stood at {percent(worst, 0)} of the pack voltage for {length:.0f} s from "
        f"{clock(start)} although the contactors were told closed.",
        "A contactor did not close, a fuse or plug is open, or one of the two reads wrongly.",
        "Read the contactor box's fault memory; have licensed people check fuse and contactors.",
        (Figure("link share", 100.0 * worst, "%"), Figure("longest", length, "s")),
    )
    return judged(name, finding.summary, [finding])
