"""The charger beside what is asked of it, and beside the cell that is full first.

A charger may give less than asked for (its mains may not carry more), never more: by
``OVER_SHARE`` or ``LEAST_A``, whichever is more, for ``LASTING_S``. It follows a lower request, and
the end of one, within ``REACTS_S``. Far too little is under ``UNDER_SHARE`` for ``UNDER_S`` while
no cell is near full. All these: common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from busplan.answers import Interval
from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64, Mask
from busplan.pack.electrical.check import Result, SenseFigure, judged, not_shown, unheard
from busplan.pack.electrical.highest import Highest, highest_cell
from busplan.pack.electrical.switches import switched_on
from busplan.pack.labels import clock, place
from busplan.pack.series import PackSeries, Trace
from busplan.pack.statistics import longest_run, time_where
from busplan.plan.vehicle import PackLayout

OVER_SHARE = 0.05
LEAST_A = 1.0
OVER_VOLTS_SHARE = 0.01
LASTING_S = 3.0
REACTS_S = 3.0
UNDER_SHARE = 0.1
UNDER_S = 60.0
UNDER_REACTS_S = 10.0
NEAR_FULL_V = 0.05
NEAR_VOLTS_SHARE = 0.98
LEAST_ASKED_S = 30.0


class Asked(NamedTuple):
    """What was asked for at each reading of the charger's current [A], NaN where it is not known.

    ``now`` the last request, ``most`` and ``least`` over the time that a charger has to follow.
    """

    now: F64
    most: F64
    least: F64


def asked_of(request: Trace, time_s: F64, enable: Trace | None) -> Asked:
    """The request over the times (n,); 0 while the charger is told off."""
    value = np.clip(request.value, 0.0, None)
    if enable is not None:
        on = switched_on(enable, request.time_s)
        value = np.where(on == 0, 0.0, value)
    times = [request.time_s]
    values = [value]
    if enable is not None:
        # Switching off counts at once, not with the next request.
        off = switched_on(enable, enable.time_s) == 0
        times.append(enable.time_s[off])
        values.append(np.zeros(int(off.sum())))
    time, order = np.concatenate(times), np.argsort(np.concatenate(times), kind="stable")
    time, value = time[order], np.concatenate(values)[order]
    last = np.searchsorted(time, time_s, side="right") - 1
    known = np.searchsorted(request.time_s, time_s, side="right") - 1
    fresh = (known >= 0) & (time_s - request.time_s[np.maximum(known, 0)] <= request.stale_s)
    fresh &= ~request.ended(np.maximum(known, 0), time_s)

    def over(function: np.ufunc, span_s: float) -> F64:
        first = np.maximum(np.searchsorted(time, time_s - span_s, side="right") - 1, 0)
        bounds = np.column_stack((first, np.maximum(last, first) + 1)).ravel()
        padded = np.append(value, value[-1])
        found = function.reduceat(padded, bounds)[::2]
        return np.where(fresh, found, np.nan)

    now = np.where(fresh, value[np.maximum(last, 0)], np.nan)
    return Asked(now, over(np.maximum, REACTS_S), over(np.minimum, UNDER_REACTS_S))


def charger_current(
    series: PackSeries, layout: PackLayout, faulty: frozenset[tuple[str, int]]
) -> Result:
    """Whether the charger gave what was asked for: no more, and not far less."""
    name = "charger current"
    missing = unheard(name, series, layout, "charger_current", "charger_current_request")
    if missing is not None:
        return missing
    given = series.quantities["charger_current"]
    request = series.quantities["charger_current_request"]
    enable = series.quantity("charger_enable")
    asked = asked_of(request, given.time_s, enable)
    with np.errstate(invalid="ignore"):
        active = asked.now > LEAST_A
        allowed = np.maximum(LEAST_A, OVER_SHARE * asked.most)
        above = (given.value - asked.most > allowed) & (asked.most > LEAST_A)
    start, length = longest_run(given.time_s, np.asarray(above))
    if length >= LASTING_S:
        most = float((given.value - asked.most)[above].max())
        finding = Finding(
            "charger-over-request",
            Weight.FAULT,
            place(layout.quantities["charger_current"], start),
            f"The charger gave up to {most:.1f} A more than asked for {length:.0f} s from "
            f"{clock(start)}.",
            "The request protects the cells; a charger that ignores it can overcharge them.",
            "Stop charging; check that the charger reads the request and its scaling.",
            (Figure("above request", most, "A"), Figure("longest", length, "s")),
        )
        return judged(name, finding.summary, [finding])
    asked_s = time_where(given.time_s, np.asarray(active))
    if asked_s < LEAST_ASKED_S:
        text = f"asked for {asked_s:.0f} s only" if active.any() else "nothing was asked for"
        return not_shown(name, text, f"record {LEAST_ASKED_S:.0f} s of charging")
    highest = highest_cell(series, given.time_s, faulty)
    under = _under(series, given, asked, highest, layout)
    start, length = longest_run(given.time_s, under)
    if length >= UNDER_S:
        low = float(np.median(given.value[under]))
        wanted = float(np.median(asked.now[under]))
        gave = bool((given.value[active] > UNDER_SHARE * asked.now[active]).any())
        if not gave and enable is None:
            return not_shown(
                name,
                f"{wanted:.0f} A asked for, {low:.1f} A given throughout",
                "whether it was plugged in and told on is not known: map charger_enable",
            )
        finding = Finding(
            "charger-under-request",
            Weight.CAUTION,
            place(layout.quantities["charger_current"], start),
            f"The charger gave {low:.1f} A of {wanted:.0f} A asked for, for {length:.0f} s from "
            f"{clock(start)}, with no cell near full.",
            "Charging takes many times as long; the charger may be limiting itself for a reason.",
            "Read the charger's own state: mains, temperature, a fault it holds.",
            (
                Figure("given", low, "A"),
                Figure("asked for", wanted, "A"),
                Figure("longest", length, "s"),
            ),
        )
        return judged(name, finding.summary, [finding])
    difference = (given.value - asked.now)[active]
    middle = float(np.median(difference))
    low, high = np.percentile(difference, (2.5, 97.5)).tolist()
    figure = SenseFigure(
        "charger minus request", middle, "A", Interval(low, high),
        f"{asked_s:.0f} s asked for, readings as they came",
    )  # fmt: skip
    return judged(name, f"median {middle:+z.1f} A from the request", figures=[figure])


def _under(
    series: PackSeries, given: Trace, asked: Asked, highest: Highest | None, layout: PackLayout
) -> Mask:
    """Where it gave far too little without a reason that is known."""
    with np.errstate(invalid="ignore"):
        under = (asked.least > LEAST_A) & (given.value < UNDER_SHARE * asked.least)
        if highest is None:
            return np.zeros(len(given), np.bool_)
        under &= highest.volts < layout.limits.cell_high_v - NEAR_FULL_V
        volts = series.quantity_at("charger_voltage", given.time_s)
        ceiling = series.quantity_at("charger_voltage_request", given.time_s)
        if volts is not None and ceiling is not None:
            under &= ~(volts >= NEAR_VOLTS_SHARE * ceiling)
    return np.asarray(under)


def charger_voltage(series: PackSeries, layout: PackLayout) -> Result:
    """Whether the charger kept under the voltage asked for while it gave current."""
    name = "charger voltage"
    missing = unheard(name, series, layout, "charger_voltage", "charger_voltage_request")
    if missing is not None:
        return missing
    volts = series.quantities["charger_voltage"]
    ceiling = series.quantities["charger_voltage_request"].at(volts.time_s)
    amps = series.quantity_at("charger_current", volts.time_s)
    with np.errstate(invalid="ignore"):
        use = ceiling > 0.0
        if amps is not None:
            use &= amps > LEAST_A
        above = use & (volts.value > ceiling * (1.0 + OVER_VOLTS_SHARE))
    seconds = time_where(volts.time_s, np.asarray(use))
    start, length = longest_run(volts.time_s, np.asarray(above))
    if length >= LASTING_S:
        most = float((volts.value - ceiling)[above].max())
        finding = Finding(
            "charger-over-voltage",
            Weight.FAULT,
            place(layout.quantities["charger_voltage"], start),
            f"The charger's voltage lay up to {most:.1f} V over what was asked for, for "
            f"{length:.0f} s from {clock(start)}.",
            "The cells can be overcharged by it.",
            "Stop charging; check that the charger reads the request and its scaling.",
            (Figure("above request", most, "V"), Figure("longest", length, "s")),
        )
        return judged(name, finding.summary, [finding])
    if seconds < LEAST_ASKED_S:
        return not_shown(
            name,
            f"it charged for {seconds:.0f} s only",
            f"record {LEAST_ASKED_S:.0f} s of charging",
        )
    nearest = float((volts.value - ceiling)[np.asarray(use)].max())
    return judged(name, f"highest {nearest:+z.1f} V from the voltage asked for")
