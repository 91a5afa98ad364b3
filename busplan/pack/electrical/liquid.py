"""The liquid's outlet beside its inlet and the modules.

Liquid that passes modules comes out between their temperature and its own at the inlet: heat flows
from the warmer to the colder (second law). What it carried in may take ``PASSING_S`` to come out.
An outlet outside that by more than ``BEYOND_K``, for ``LASTING_S``, is measured elsewhere or
wrongly, or is swapped with the inlet; more than ``SENSORS_K`` outside leaves it open (common
practice, no source). It shows only where inlet and modules lie apart.
"""

from __future__ import annotations

import numpy as np

from busplan.answers import Interval
from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64
from busplan.pack.electrical.check import Result, SenseFigure, judged, not_shown, unheard
from busplan.pack.labels import clock, place
from busplan.pack.series import PackSeries
from busplan.pack.statistics import longest_run, nan_median, time_where
from busplan.plan.vehicle import PackLayout

PASSING_S = 120.0
BEYOND_K = 4.0
SENSORS_K = 1.0
LASTING_S = 60.0
APART_K = 5.0
"""Inlet and modules must lie so far apart, for ``LASTING_S``, to show anything."""
PLAUSIBLE_C = (-50.0, 120.0)


def outlet(
    series: PackSeries, layout: PackLayout, faulty: frozenset[tuple[str, int]] = frozenset()
) -> Result:
    """Whether the outlet lies between inlet and modules, by the sensors that are believed."""
    name = "outlet temperature"
    missing = unheard(name, series, layout, "inlet_temperature", "outlet_temperature")
    if missing is not None:
        return missing
    sampled = series.temperature
    time = sampled.time_s
    if len(time) < 2:
        return not_shown(name, "no module temperature was heard", "record the cell monitors too")
    with np.errstate(invalid="ignore"):
        believed = (sampled.value > PLAUSIBLE_C[0]) & (sampled.value < PLAUSIBLE_C[1])
    believed[:, [i for kind, i in faulty if kind == "sensor"]] = False
    if not believed.any():
        return not_shown(name, "no module temperature is believed", "see to these readings first")
    modules = np.where(believed, sampled.value, np.nan)
    some = np.isfinite(modules).any(axis=1)
    coldest = np.where(some, np.where(believed, modules, np.inf).min(axis=1), np.nan)
    warmest = np.where(some, np.where(believed, modules, -np.inf).max(axis=1), np.nan)
    inlet = series.quantities["inlet_temperature"].at(time)
    out = series.quantities["outlet_temperature"].at(time)
    low_in, high_in = _lately(time, inlet)
    lower, upper = np.fmin(low_in, coldest), np.fmax(high_in, warmest)
    with np.errstate(invalid="ignore"):
        outside = np.fmax(lower - out, out - upper)
        off, doubtful = outside > BEYOND_K, outside > SENSORS_K
        apart = np.abs(inlet - nan_median(modules, axis=1)) > APART_K
        apart &= np.isfinite(out)
    start, length = longest_run(time, np.asarray(off))
    if length >= LASTING_S:
        row = int(np.argmax(np.where(off, outside, -np.inf)))
        finding = Finding(
            "outlet-implausible",
            Weight.CAUTION,
            place(layout.quantities["outlet_temperature"], start),
            f"The outlet read {out[row]:.1f} °C with the inlet at {inlet[row]:.1f} °C and the "
            f"modules at {coldest[row]:.1f} to {warmest[row]:.1f} °C, for {length:.0f} s from "
            f"{clock(start)}.",
            "Liquid cannot leave warmer or colder than all it touched; cooling is controlled by a "
            "wrong value.",
            "Check where both sensors sit and whether they are swapped.",
            (
                Figure("outlet", float(out[row]), "°C"),
                Figure("inlet", float(inlet[row]), "°C"),
                Figure("longest", length, "s"),
            ),
        )
        return judged(name, finding.summary, [finding])
    shown_s = time_where(time, np.asarray(apart))
    if shown_s < LASTING_S:
        return not_shown(
            name,
            "inlet and modules lie too close to show anything",
            f"heat or cool the liquid by {APART_K:.0f} K against the modules for {LASTING_S:.0f} s",
        )
    start, length = longest_run(time, np.asarray(doubtful))
    if length >= LASTING_S:
        most = float(np.nanmedian(outside[doubtful]))
        return not_shown(
            name,
            f"the outlet read {most:.1f} K outside inlet and modules for {length:.0f} s from "
            f"{clock(start)}",
            "compare both sensors at rest; a firmer heating shows whether they are swapped",
        )
    difference = (out - inlet)[apart]
    low, high = np.percentile(difference, (2.5, 97.5)).tolist()
    figure = SenseFigure(
        "outlet minus inlet", float(np.median(difference)), "K", Interval(low, high),
        f"{shown_s:.0f} s with inlet and modules {APART_K:.0f} K apart",
    )  # fmt: skip
    return judged(name, "between inlet and modules throughout", figures=[figure])


def _lately(time_s: F64, value: F64) -> tuple[F64, F64]:
    """Lowest and highest over the last ``PASSING_S`` on a uniform grid; NaN counts for nothing."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    count = max(round(PASSING_S / float(time_s[1] - time_s[0])), 1)
    shift = (count - 1) // 2  # so that the window ends at the row itself
    low = minimum_filter1d(
        np.where(np.isfinite(value), value, np.inf), count, mode="nearest", origin=shift
    )
    high = maximum_filter1d(
        np.where(np.isfinite(value), value, -np.inf), count, mode="nearest", origin=shift
    )
    return np.where(np.isfinite(low), low, np.nan), np.where(np.isfinite(high), high, np.nan)
