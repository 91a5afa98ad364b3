"""Counted charge and energy, the state of charge beside them, and the current sensor's zero.

Charge is the integral of the current, energy that of current times pack voltage (trapezoids over
the readings as they came). Gaps are not bridged: what was not heard is not counted.

* State of charge: with the plan's nominal ``capacity_ah`` it must fall by what was counted, to
  ``CHARGE_POINTS`` and ``CHARGE_SHARE`` of it, an offset of ``OFFSET_A`` besides; by more where the
  pack has aged, down to ``AGED_SHARE``. Without, it must move the right way and in proportion.
* Zero: with all contactors open nothing flows, so the reading is the offset; ``ZERO_A`` counts.
  At a rest that was stated, a load may flow as well.

All bounds: common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from busplan.answers import Interval
from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64
from busplan.pack.electrical.check import Result, SenseFigure, judged, not_shown, unheard
from busplan.pack.electrical.moments import all_open, apart_s, contactor_states
from busplan.pack.labels import clock, place
from busplan.pack.series import PackSeries, Trace
from busplan.pack.statistics import longest_run
from busplan.plan.vehicle import PackLayout
from busplan.wording import percent

CHARGE_POINTS = 2.0
CHARGE_SHARE = 0.05
AGED_SHARE = 0.7
OFFSET_A = 0.5
LEAST_POINTS = 5.0
MOST_MORE_MIN = 120.0
LASTING_S = 30.0
HEARD_SHARE = 0.97
ZERO_A = 1.0
LEAST_ZERO_S = 2.0
FEWEST = 10
LEAST_S = 10.0


class Counted(NamedTuple):
    """A running integral (n,) from the first reading on, what was taken out and put in, and gaps.

    ``error`` is half the width of the interval of the totals, ``heard`` the share of the time that
    was counted.
    """

    time_s: F64
    total: F64
    out: float
    into: float
    error: float
    heard: float


def counted(current: Trace, rate: F64, step: float) -> Counted:
    """The integral of ``rate`` (n,), per hour, at the readings of ``current``."""
    time = current.time_s
    width = np.diff(time)
    whole = (width <= current.stale_s) & ~current.ended(np.arange(len(time) - 1), time[1:])
    whole &= np.isfinite(rate[1:]) & np.isfinite(rate[:-1])
    each = np.where(whole, 0.5 * (rate[1:] + rate[:-1]) * width, 0.0) / 3600.0
    total = np.concatenate(([0.0], np.cumsum(each)))
    span = float(time[-1] - time[0])
    # Two sums of every other reading show what lies between readings.
    halves = [_trapezoids(time[i::2], np.nan_to_num(rate[i::2])) / 3600.0 for i in (0, 1)]
    between = (
        abs(halves[0] - halves[1])
        + float(np.abs(rate[[0, -1]]).max()) * float(np.median(width)) / 3600.0
    )
    rounding = 0.5 * step * span / 3600.0
    heard_s = float(width[whole].sum())
    heard = heard_s / span if span > 0 else 0.0
    # What was not heard is taken to be twice the usual at most.
    usual = float(np.abs(each).sum()) / max(heard_s, 1e-9)
    unheard_most = 2.0 * usual * (span - heard_s)
    return Counted(
        time_s=time,
        total=total,
        out=float(each[each > 0].sum()),
        into=float(-each[each < 0].sum()),
        error=between + rounding + unheard_most,
        heard=heard,
    )


def _trapezoids(time: F64, rate: F64) -> float:
    return float((0.5 * (rate[1:] + rate[:-1]) * np.diff(time)).sum())


def energy(series: PackSeries, layout: PackLayout) -> Result:
    """Charge and energy out of the pack and into it."""
    name = "charge and energy"
    missing = unheard(name, series, layout, "current", "voltage")
    if missing is not None:
        return missing
    current, pack = series.quantities["current"], series.quantities["voltage"]
    if len(current) < FEWEST or current.time_s[-1] - current.time_s[0] < LEAST_S:
        return not_shown(name, "too short to count", f"record {LEAST_S:.0f} s or more")
    volts = pack.at(current.time_s)
    inside = (current.time_s >= pack.time_s[0]) & (current.time_s <= pack.time_s[-1])
    charge = counted(current, current.value, current.step)
    used = Trace(
        current.time_s[inside], current.value[inside], current.step,
        ended_s=current.ended_s, allowed_s=current.stale_s,
    )  # fmt: skip
    if len(used) < FEWEST:
        return not_shown(name, "current and voltage were not heard together", "record both")
    top = float(pack.value.max())
    power = used.value * volts[inside] / 1000.0
    work = counted(used, power, current.step * top / 1000.0)
    conditions = f"{percent(charge.heard, 0)} of the time heard; the sensors' own errors apart"
    figures = [
        SenseFigure(what, value, unit, Interval(max(value - error, 0.0), value + error), conditions)
        for what, value, unit, error in (
            ("charge out", charge.out, "Ah", charge.error),
            ("charge in", charge.into, "Ah", charge.error),
            ("energy out", work.out, "kWh", work.error),
            ("energy in", work.into, "kWh", work.error),
        )
    ]
    text = (
        f"{charge.out:.2f} Ah and {work.out:.2f} kWh out, {charge.into:.2f} Ah and "
        f"{work.into:.2f} kWh in"
    )
    if min(charge.heard, work.heard) < HEARD_SHARE:
        share = min(charge.heard, work.heard)
        return not_shown(
            name, f"at least {text}", f"{percent(1 - share, 0)} of the time was not heard", figures
        )
    return judged(name, text, figures=figures)


def state_of_charge(series: PackSeries, layout: PackLayout) -> Result:
    """Whether the state of charge moves as the counted charge says."""
    name = "state of charge"
    missing = unheard(name, series, layout, "current", "state_of_charge")
    if missing is not None:
        return missing
    current, soc = series.quantities["current"], series.quantities["state_of_charge"]
    if len(current) < FEWEST or len(soc) < 2:
        return not_shown(name, "too few readings", "record ten minutes of driving or charging")
    charge = counted(current, current.value, current.step)
    inside = (soc.time_s >= charge.time_s[0]) & (soc.time_s <= charge.time_s[-1])
    if charge.heard < HEARD_SHARE or inside.sum() < 2:
        return not_shown(
            name,
            f"the current was heard {percent(charge.heard, 0)} of the time",
            "record it without gaps: charge that was not heard is not counted",
        )
    time, told = soc.time_s[inside], soc.value[inside]
    drawn = np.interp(time, charge.time_s, charge.total)
    drawn = drawn - drawn[0]
    if layout.capacity_ah is not None:
        return _absolute(name, layout.capacity_ah, time, told, drawn, soc.step, layout)
    return _relative(name, time, told, drawn, soc.step, layout)


def _absolute(
    name: str,
    capacity: float,
    time: F64,
    told: F64,
    drawn: F64,
    step: float,
    layout: PackLayout,
) -> Result:
    expected = -100.0 * drawn / capacity
    moved_points = told - told[0]
    aged = expected / AGED_SHARE
    apart = moved_points - np.clip(
        moved_points, np.minimum(expected, aged), np.maximum(expected, aged)
    )
    hours = (time - time[0]) / 3600.0
    allowed = (
        CHARGE_POINTS + step + CHARGE_SHARE * np.abs(expected) + 100.0 * OFFSET_A * hours / capacity
    )
    start, length = longest_run(time, np.asarray(np.abs(apart) > allowed))
    last = float(moved_points[-1] - expected[-1])
    figure = SenseFigure(
        "state of charge minus count", last, "% points", Interval(last - step, last + step),
        f"{drawn[-1]:+z.1f} Ah counted, {capacity:g} Ah stated",
    )  # fmt: skip
    if length >= LASTING_S or (abs(float(apart[-1])) > allowed[-1] and length > 0):
        row = int(np.argmax(np.abs(apart) - allowed))
        worst = float(moved_points[row] - expected[row])
        finding = _off_count(
            layout,
            start,
            f"The state of charge went {worst:+z.1f} % points away from what the current counted "
            f"({drawn[-1]:+z.1f} Ah of {capacity:g} Ah), from {clock(start)} on.",
            (Figure("apart", worst, "% points"), Figure("counted", float(drawn[-1]), "Ah")),
        )
        return judged(name, finding.summary, [finding], [figure])
    moved = float(np.ptp(expected))
    if moved < LEAST_POINTS:
        return _needs_more(name, moved, time, [figure])
    return judged(
        name, f"{last:+z.1f} % points from the count over {moved:.0f} points", figures=[figure]
    )


def _relative(
    name: str, time: F64, told: F64, drawn: F64, step: float, layout: PackLayout
) -> Result:
    """Without a stated capacity: in proportion, and the right way."""
    moved = float(np.ptp(told))
    centred = drawn - drawn.mean()
    power = float(centred @ centred)
    if moved < LEAST_POINTS + step or power <= 0.0 or np.ptp(drawn) <= 0.0:
        text = f"it moved {moved:.1f} % points while {float(np.ptp(drawn)):.1f} Ah were counted"
        return not_shown(
            name, text, "state capacity_ah in [pack] of the plan, or record until it has moved 6"
        )
    slope = float(centred @ (told - told.mean())) / power
    rest = told - told.mean() - slope * centred
    wrong_way = slope > 0.0
    jumps = np.abs(rest) > CHARGE_POINTS + step + CHARGE_SHARE * moved
    start, length = longest_run(time, np.asarray(jumps))
    if wrong_way or length >= LASTING_S:
        begin = float(time[0]) if wrong_way else start
        words = (
            f"The state of charge moved {told[-1] - told[0]:+z.1f} % points while "
            f"{drawn[-1]:+z.1f} Ah were drawn, the wrong way."
            if wrong_way
            else f"The state of charge left the counted charge by up to "
            f"{float(np.abs(rest).max()):.1f} % points, from {clock(start)} on."
        )
        finding = _off_count(
            layout,
            begin,
            words,
            (
                Figure("moved", float(told[-1] - told[0]), "% points"),
                Figure("counted", float(drawn[-1]), "Ah"),
            ),
        )
        return judged(name, finding.summary, [finding])
    capacity = -100.0 / slope
    # A rounded state of charge may lie half a step off at either end.
    off = (step + 2.0 * float(np.std(rest))) / moved
    figure = SenseFigure(
        "100 % of charge", capacity, "Ah", Interval(capacity * (1 - off), capacity / (1 - off)),
        f"{moved:.0f} % points moved, by the state of charge itself",
    )  # fmt: skip
    return judged(
        name, f"in proportion to the count: 100 % would be {capacity:.0f} Ah", figures=[figure]
    )


def _needs_more(name: str, moved: float, time: F64, figures: list[SenseFigure]) -> Result:
    text = f"only {moved:.1f} % points were counted"
    if moved <= 0.0:
        return not_shown(name, text, "record a drive or a charge", figures)
    minutes = (LEAST_POINTS / moved - 1.0) * float(time[-1] - time[0]) / 60.0
    if minutes > MOST_MORE_MIN:  # hardly any current: nobody would wait for it
        return not_shown(name, text, "record a drive or a charge", figures)
    return not_shown(
        name, text, f"{minutes:.0f} min more at this rate show {LEAST_POINTS:.0f} points", figures
    )


def _off_count(
    layout: PackLayout, time: float, summary: str, figures: tuple[Figure, ...]
) -> Finding:
    return Finding(
        "state-of-charge-off",
        Weight.CAUTION,
        place(layout.quantities["state_of_charge"], time),
        summary,
        "The range that is shown is wrong; the vehicle may stop with charge told left.",
        "Check the stated capacity, the current's sign and gain, and when the charge was last set.",
        figures,
    )


def current_zero(series: PackSeries, layout: PackLayout, *, rest: bool) -> Result:
    """Whether the current reads zero while nothing can flow."""
    name = "current at zero"
    missing = unheard(name, series, layout, "current")
    if missing is not None:
        return missing
    current = series.quantities["current"]
    spans, states = all_open(series), contactor_states(series)
    slack = 0.0 if states is None else apart_s(current, states.trace)
    use = np.zeros(len(current), np.bool_)
    if spans is not None:
        use = spans.inside(current.time_s, slack, slack)
    known = "with all contactors open"
    if not use.any() and rest:
        use[:] = True
        known = "at rest, as stated"
    value = current.value[use]
    span = float(np.ptp(current.time_s[use])) if use.any() else 0.0
    if len(value) < FEWEST or span < LEAST_ZERO_S:
        return not_shown(
            name,
            "at no time is it known that nothing flows",
            "record ten seconds with the contactors open",
        )
    middle = float(np.median(value))
    half = 2.5 * float(np.std(value)) / len(value) ** 0.5 + 0.5 * current.step
    figure = SenseFigure(
        "current", middle, "A", Interval(middle - half, middle + half), f"{known}, {span:.0f} s"
    )
    if abs(middle) - half > ZERO_A:
        finding = Finding(
            "current-offset",
            Weight.CAUTION,
            place(layout.quantities["current"], float(current.time_s[use][0])),
            f"The current reads {middle:+z.2f} A {known}.",
            "Counted charge drifts by as many Ah each hour"
            + ("." if "open" in known else ", unless a load does flow."),
            "Zero the current sensor with the pack off; keep its cable away from others.",
            (Figure("current", middle, "A"), Figure("seconds", span, "s")),
        )
        return judged(name, finding.summary, [finding], [figure])
    if abs(middle) + half > ZERO_A:
        return not_shown(
            name, f"{middle:+z.2f} A {known}", "record longer with the contactors open", [figure]
        )
    return judged(name, f"{middle:+z.2f} A {known}", figures=[figure])
