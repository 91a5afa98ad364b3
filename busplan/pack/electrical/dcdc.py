"""The DC-DC converter: on while it must be, within its window, and without sag.

* About 13 to 15 V in a 12 V system, twice that in a 24 V one (``WINDOW_V``).
* It must be on where it is told on; where that is not mapped, while driving: contactors closed, and
  ``DRIVING_A`` drawn within the last ``DRIVING_S``. It gets ``SETTLED_S`` after closing.
* Sag: below ``SAG_V``, where units begin to reset, for less than the window minds.

All of it: common practice, no source.
"""

from __future__ import annotations

import numpy as np

from busplan.answers import Interval
from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64, Mask
from busplan.pack.electrical.check import Result, SenseFigure, judged, not_shown, unheard
from busplan.pack.electrical.moments import all_closed
from busplan.pack.electrical.switches import switched_on
from busplan.pack.labels import clock, place
from busplan.pack.series import PackSeries, Trace
from busplan.pack.statistics import longest_run, time_where
from busplan.plan.vehicle import PackLayout

WINDOW_V = (12.8, 15.0)
SAG_V = 11.0
SYSTEM_V = 20.0
"""A median over this is a 24 V system."""
LASTING_S = 3.0
SAG_S = 0.3
SETTLED_S = 3.0
DRIVING_A = 10.0
DRIVING_S = 30.0
LEAST_S = 10.0


def dcdc(series: PackSeries, layout: PackLayout) -> Result:
    """Whether the converter's output was what it must be while it had to be on."""
    name = "DC-DC output"
    missing = unheard(name, series, layout, "dcdc_output_voltage")
    if missing is not None:
        return missing
    output = series.quantities["dcdc_output_voltage"]
    time, volts = output.time_s, output.value
    must = _must_be_on(series, time)
    scale = 2.0 if float(np.median(volts[must] if must.any() else volts)) > SYSTEM_V else 1.0
    low, high = (scale * v for v in WINDOW_V)
    figures = _figures(output, must)
    findings = []
    lasting_s = time_where(time, must)
    if lasting_s >= LEAST_S and bool((volts[must] < low).all()):
        findings.append(_off(output, must, lasting_s, low, layout))
    else:
        outside = (volts > high) | (must & (volts < low))
        start, length = longest_run(time, np.asarray(outside))
        sagging = must & (volts < scale * SAG_V)
        sag_start, sag_s = longest_run(time, np.asarray(sagging))
        if length >= LASTING_S:
            findings.append(_outside(output, outside, (start, length), (low, high), layout))
        elif sag_s >= SAG_S:
            findings.append(_sag(output, sagging, (sag_start, sag_s), scale * SAG_V, layout))
    if findings:
        return judged(name, findings[0].summary, findings, figures)
    if lasting_s < LEAST_S:
        return not_shown(
            name,
            f"it had to be on for {lasting_s:.0f} s",
            f"record {LEAST_S:.0f} s of driving, or map dcdc_enable",
            figures,
        )
    return judged(name, f"median {figures[0].value:.2f} V", figures=figures)


def _must_be_on(series: PackSeries, time_s: F64) -> Mask:
    enable = series.quantity("dcdc_enable")
    closed = all_closed(series)
    ready = np.ones(len(time_s), np.bool_)
    if closed is not None:
        ready = closed.inside(time_s, SETTLED_S, SETTLED_S)
    if enable is not None:
        on = switched_on(enable, time_s) == 1
        before = switched_on(enable, time_s - SETTLED_S) == 1
        return np.asarray(ready & on & before)
    current = series.quantity("current")
    if current is None:
        return np.zeros(len(time_s), np.bool_)
    drawn = current.time_s[current.value > DRIVING_A]
    if not len(drawn):
        return np.zeros(len(time_s), np.bool_)
    last = np.searchsorted(drawn, time_s, side="right") - 1
    lately = (last >= 0) & (time_s - drawn[np.maximum(last, 0)] <= DRIVING_S)
    return np.asarray(ready & lately)


def _figures(output: Trace, must: Mask) -> list[SenseFigure]:
    if not must.any():
        return []
    volts = output.value[must]
    low, high = np.percentile(volts, (2.5, 97.5)).tolist()
    return [
        SenseFigure(
            "DC-DC output", float(np.median(volts)), "V", Interval(low, high),
            f"{time_where(output.time_s, must):.0f} s in which it had to be on",
        )
    ]  # fmt: skip


def _off(output: Trace, must: Mask, lasting_s: float, low: float, layout: PackLayout) -> Finding:
    middle = float(np.median(output.value[must]))
    start = float(output.time_s[must][0])
    return Finding(
        "dcdc-off",
        Weight.CAUTION,
        place(layout.quantities["dcdc_output_voltage"], start),
        f"The DC-DC converter gave nothing in {lasting_s:.0f} s in which it had to be on: "
        f"{middle:.2f} V throughout, under {low:g} V.",
        "The 12 V battery runs flat while driving; then steering, brakes and contactors fail.",
        "Check the converter's enable, its fuses on both sides and its supply from the link.",
        (Figure("median", middle, "V"), Figure("had to be on", lasting_s, "s")),
    )


def _outside(
    output: Trace,
    outside: Mask,
    run: tuple[float, float],
    window: tuple[float, float],
    layout: PackLayout,
) -> Finding:
    start, length = run
    low, high = window
    worst = output.value[outside]
    extreme = float(worst[np.argmax(np.maximum(worst - high, low - worst))])
    return Finding(
        "dcdc-output",
        Weight.CAUTION,
        place(layout.quantities["dcdc_output_voltage"], start),
        f"The DC-DC output lay outside {low:g} to {high:g} V for {length:.0f} s from "
        f"{clock(start)}, at worst {extreme:.2f} V.",
        "Too low and the 12 V battery runs flat while driving; too high and lamps and units fail.",
        "Check the converter's set point, its ground and the load.",
        (Figure("worst", extreme, "V"), Figure("longest", length, "s")),
    )


def _sag(
    output: Trace, sagging: Mask, run: tuple[float, float], bound: float, layout: PackLayout
) -> Finding:
    start, length = run
    lowest = float(output.value[sagging].min())
    return Finding(
        "dcdc-sag",
        Weight.CAUTION,
        place(layout.quantities["dcdc_output_voltage"], start),
        f"The DC-DC output fell under {bound:g} V for {length:.1f} s from {clock(start)}, down to "
        f"{lowest:.2f} V.",
        "Units on the 12 V side reset at such a voltage, in the middle of a drive.",
        "Check the 12 V battery, its ground, and what draws so much at that moment.",
        (Figure("lowest", lowest, "V"), Figure("longest", length, "s")),
    )
