"""Sum of cells against pack voltage, charger against pack current: Kirchhoff's two laws.

Cells and pack are not measured at one moment, so rows count only where the current has been steady
for ``STEADY_S``, and those of small current before others: what lies outside the taps drops
little there. ``SUM_SHARE`` covers the accuracy of the two (common practice, no source).

What flows into the pack comes from the charger, less what else the vehicle uses meanwhile: the pack
cannot take more than the charger gives. ``OVER_A`` and ``OVER_SHARE`` cover the accuracy of the two
sensors, ``OVER_S`` that one follows the other (common practice, no source).
"""

from __future__ import annotations

import math

import numpy as np

from busplan.answers import Interval
from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64, Mask
from busplan.pack.electrical.check import Result, SenseFigure, judged, not_shown, unheard
from busplan.pack.labels import clock, place
from busplan.pack.series import PackSeries
from busplan.pack.statistics import longest_run, time_where
from busplan.plan.vehicle import PackLayout
from busplan.wording import counted, plural

SUM_SHARE = 0.01
LASTING_S = 3.0
STEADY_S = 1.0
"""Longer than any cell's voltage is old."""
STEADY_A = 2.0
STEADY_PART = 0.02
"""... of the greatest current, where that is more."""
QUIET_PART = 0.1
FEWEST = 10
SCALE_SHARE = 0.05
"""A pack voltage so near to a power of ten times the sum of its cells has the wrong scale."""
OVER_A, OVER_SHARE, OVER_S = 2.0, 0.1, 10.0
LEAST_GIVEN_A, LEAST_GIVEN_S = 1.0, 30.0
CELL_V = (0.5, 6.0)
"""What lies outside is no reading of a cell."""


def sum_of_cells(
    series: PackSeries, layout: PackLayout, faulty: frozenset[tuple[str, int]] = frozenset()
) -> Result:
    """Whether all cells together are the pack; no good news where one of them is not believed."""
    name = "sum of cells"
    missing = unheard(name, series, layout, "voltage")
    if missing is not None:
        return missing
    sampled = series.voltage
    if not len(sampled.time_s):
        return not_shown(name, "no cell was heard", "record the network of the cell monitors")
    with np.errstate(invalid="ignore"):
        believed = (sampled.value > CELL_V[0]) & (sampled.value < CELL_V[1])
    total = np.where(believed, sampled.value, np.nan).sum(axis=1)  # NaN when one is missing
    measured = series.quantities["voltage"].at(sampled.time_s)
    whole = np.isfinite(total) & np.isfinite(measured)
    if not whole.any():
        wrong = int((np.isfinite(sampled.value).any(axis=0) & ~believed.any(axis=0)).sum())
        if wrong:
            return not_shown(
                name,
                f"{counted(wrong, 'cell')} never {plural(wrong, 'reads', 'read')} what a cell can",
                "see to these readings first",
            )
        return not_shown(
            name,
            "at no moment were all cells and the pack voltage heard",
            "record every cell monitor together with the pack voltage",
        )
    use = whole & _steady(series, sampled.time_s)
    if use.sum() < FEWEST:
        return not_shown(
            name,
            "the current never stood still",
            f"record {STEADY_S * 10:.0f} s without load, or with a steady one",
        )
    difference: F64 = np.where(use, measured - total, np.nan)
    middle = float(np.median(difference[use]))
    off = use & (np.abs(np.nan_to_num(difference)) > SUM_SHARE * np.nan_to_num(measured))
    start, length = longest_run(sampled.time_s, np.asarray(off))
    figure = _figure(difference[use], series, middle, int(use.sum()))
    count = len(series.cells)
    if length < LASTING_S and off.sum() <= 0.5 * use.sum():
        text = f"pack voltage {middle:+z.1f} V from the sum of {count} cells"
        refused = sum(kind == "cell" for kind, _ in faulty)
        if refused:
            # A sum to a hundredth may hold with a reading that is off by all that a cell can be.
            text = f"{text}, {refused} of which {plural(refused, 'is', 'are')} not believed"
            return not_shown(name, text, "see to these readings first", [figure])
        return judged(name, text, figures=[figure])
    worst = float(np.median(difference[off]))
    lasted = f"for {length:.0f} s" if length >= 1.0 else f"at {int(off.sum())} moments"
    scale = pack_scale_off(series)
    times = "" if scale is None else _times(scale)
    finding = Finding(
        "cells-do-not-add-up",
        Weight.CAUTION,
        place(layout.quantities["voltage"], start),
        f"The pack voltage differs from the sum of its {count} cells by {worst:+z.1f} V "
        f"{lasted}{times}.",
        "A cell is missing, doubled or measured wrongly, or the pack voltage is.",
        "Correct factor or unit of the pack voltage in its definition."
        if times
        else "Compare the plan's cells with the pack; measure the pack voltage apart (licensed "
        "people).",
        (Figure("difference", worst, "V"), Figure("cells", count), Figure("longest", length, "s")),
    )
    return judged(name, finding.summary, [finding], [figure])


def pack_scale_off(series: PackSeries) -> float | None:
    """The power of ten by which the pack voltage reads too high, by the sum of its cells."""
    voltage, sampled = series.quantity("voltage"), series.voltage
    if voltage is None or not len(sampled.time_s):
        return None
    measured, total = voltage.at(sampled.time_s), sampled.value.sum(axis=1)
    with np.errstate(invalid="ignore"):
        known = (measured > 0.0) & (total > CELL_V[0] * sampled.value.shape[1])
    if known.sum() < FEWEST:
        return None
    ratio = float(np.median(measured[known] / total[known]))
    power = float(10.0 ** round(math.log10(ratio)))
    return power if power != 1.0 and abs(ratio / power - 1.0) <= SCALE_SHARE else None


def _times(scale: float) -> str:
    high = scale > 1.0
    times = scale if high else 1.0 / scale
    return f": it reads {times:.0f} times too {'high' if high else 'low'}"


def charger_and_pack(series: PackSeries, layout: PackLayout) -> Result:
    """Whether the pack takes no more than the charger says it gives."""
    name = "charger and pack"
    missing = unheard(name, series, layout, "charger_current", "current")
    if missing is not None:
        return missing
    given = series.quantities["charger_current"]
    more = -series.quantities["current"].at(given.time_s) - given.value
    giving = np.isfinite(more) & (given.value > LEAST_GIVEN_A)
    seconds = time_where(given.time_s, giving)
    if seconds < LEAST_GIVEN_S:
        return not_shown(
            name, f"{seconds:.0f} s of charging only", f"record {LEAST_GIVEN_S:.0f} s of it"
        )
    allowed = np.maximum(OVER_A, OVER_SHARE * given.value)
    over = giving & (np.nan_to_num(more) > allowed)
    start, length = longest_run(given.time_s, over)
    middle = float(np.median(more[giving]))
    low, high = np.percentile(more[giving], (2.5, 97.5)).tolist()
    figure = SenseFigure(
        "pack minus charger", middle, "A", Interval(low, high),
        f"{seconds:.0f} s of charging, readings as they came",
    )  # fmt: skip
    if length < OVER_S:
        return judged(name, f"median {middle:+z.1f} A of the pack over the charger", (), [figure])
    told, taken = (float(np.median(v[over])) for v in (given.value, given.value + more))
    finding = Finding(
        "pack-over-charger",
        Weight.CAUTION,
        place(layout.quantities["charger_current"], start),
        f"The pack took {taken:.1f} A while the charger told {told:.1f} A, for {length:.0f} s from "
        f"{clock(start)}.",
        "One of the two reads wrongly: if it is the charger, it gives more than is asked for.",
        "Measure the charging current apart (licensed people); check both signals' factor.",
        (
            Figure("pack", taken, "A"),
            Figure("charger", told, "A"),
            Figure("longest", length, "s"),
        ),
    )
    return judged(name, finding.summary, [finding], [figure])


def _steady(series: PackSeries, time_s: F64) -> Mask:
    """Rows (n,) around which the current stands; the quiet ones alone where they are enough."""
    current = series.quantity("current")
    if current is None:
        return np.ones(len(time_s), np.bool_)
    most = float(np.abs(current.value).max())
    allowed = max(STEADY_A, STEADY_PART * most)
    step = np.abs(np.diff(current.value))
    moved = current.time_s[1:][step > allowed]
    # Slow ramps move little from one value to the next.
    before, after = current.at(time_s - STEADY_S), current.at(time_s + STEADY_S)
    now = current.at(time_s)
    with np.errstate(invalid="ignore"):
        flat = (np.abs(now - before) <= allowed) & (np.abs(after - now) <= allowed)
        quiet = np.abs(now) <= max(STEADY_A, QUIET_PART * most)
    first = np.searchsorted(moved, time_s - STEADY_S)
    last = np.searchsorted(moved, time_s + STEADY_S, side="right")
    steady = np.asarray(flat & (first == last))
    return np.asarray(steady & quiet) if (steady & quiet).sum() >= FEWEST else steady


def _figure(difference: F64, series: PackSeries, middle: float, rows: int) -> SenseFigure:
    """The median with the scatter of twenty parts of the time, and what one step is worth."""
    parts = [float(np.median(p)) for p in np.array_split(difference, min(20, rows)) if len(p)]
    scatter = 2.1 * float(np.std(parts, ddof=1)) / len(parts) ** 0.5 if len(parts) > 1 else 0.0
    steps = 0.5 * series.quantities["voltage"].step
    half = scatter + steps
    return SenseFigure(
        "pack minus cells", middle, "V", Interval(middle - half, middle + half),
        f"{rows} rows of steady current",
    )  # fmt: skip
