"""Readings that stand still while what drives them moves, and sense leads noisier than their peers.

* A current that reads one value while the cells leap as under load was not measured.
* Cells that all read one value while the current leaps were not.
* Temperatures that all read one value while warm liquid flows were not, or nothing flows: these
  readings cannot part the two.
* A cell whose readings scatter several times as far as those of its peers has a bad sense lead, or
  stands for nothing.

What a standing reading would have to show is counted over the longest stretch without any change.
All bounds: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64, different
from busplan.pack.labels import clock, place
from busplan.pack.sensors import FaultyReading, SensorFault
from busplan.pack.series import PackSeries, Trace
from busplan.pack.statistics import MAD_FACTOR, nan_median
from busplan.plan.vehicle import PackLayout

SHORTEST_S = 20.0
"""A reading must stand still for so long."""
LEAP_OVER_S = 2.0
LEAP_V, LEAP_A = 0.015, 40.0
"""Within ``LEAP_OVER_S`` the middle cell or the current moves so far in a leap."""
FEWEST_LEAPS = 3
WARMER_K, WARM_S = 10.0, 300.0
"""Liquid so much warmer warms any module by more than a sensor's step in this time."""
NOISY_TIMES, NOISY_V = 4.0, 0.005
"""Noise this many times that of the peers, and no smaller than this, is a cell's own."""
FEWEST_READINGS = 30


@dataclass(frozen=True, slots=True)
class Standing:
    """What stood still: ``what`` is current, cells or temperatures; from when to when [s]."""

    what: str
    start_s: float
    stop_s: float
    driver: str
    """What moved meanwhile, in words."""


def find_standing(series: PackSeries) -> tuple[Standing, ...]:
    """Everything that stood still while what drives it moved."""
    found = []
    current = series.quantity("current")
    sampled = series.voltage
    if current is not None and len(sampled.time_s) > 2:
        start, stop = longest_still([current])
        middle = nan_median(sampled.value, axis=1)
        leaps = _leaps(sampled.time_s, middle, start, stop, LEAP_V)
        if leaps >= FEWEST_LEAPS:
            told = f"the middle cell moved by {LEAP_V * 1e3:.0f} mV and more {leaps} times"
            found.append(Standing("current", start, stop, told))
        start, stop = longest_still(series.cells)
        leaps = _leaps(current.time_s, current.value, start, stop, LEAP_A)
        if leaps >= FEWEST_LEAPS:
            told = f"the current leapt by {LEAP_A:.0f} A and more {leaps} times"
            found.append(Standing("cells", start, stop, told))
    inlet = series.quantity("inlet_temperature")
    if inlet is not None:
        start, stop = longest_still(series.sensors)
        warm_s = _warmer(inlet, series.sensors, start, stop)
        if warm_s >= WARM_S:
            told = f"the liquid was {WARMER_K:.0f} K warmer or more for {clock(warm_s)}"
            found.append(Standing("temperatures", start, stop, told))
    return tuple(found)


def longest_still(traces: Sequence[Trace]) -> tuple[float, float]:
    """Start and stop [s] of the longest stretch in which no value changed; twice 0 when short."""
    heard = [t for t in traces if len(t) > 2]
    if not heard:
        return 0.0, 0.0
    begin, end = (f(float(t.time_s[i]) for t in heard) for f, i in ((min, 0), (max, -1)))
    changes = np.concatenate([t.time_s[1:][np.diff(t.value) != 0] for t in heard])
    edges = different(np.concatenate(([begin], changes, [end])))
    if len(edges) < 2:
        return 0.0, 0.0
    longest = int(np.argmax(np.diff(edges)))
    start, stop = float(edges[longest]), float(edges[longest + 1])
    return (start, stop) if stop - start >= SHORTEST_S else (0.0, 0.0)


def _leaps(time_s: F64, values: F64, start: float, stop: float, least: float) -> int:
    """How often ``values`` move by ``least`` within ``LEAP_OVER_S``, between two times."""
    inside = (time_s > start) & (time_s < stop) & np.isfinite(values)
    time, value = time_s[inside], values[inside]
    if len(time) < 3:
        return 0
    later = np.minimum(np.searchsorted(time, time + LEAP_OVER_S), len(time) - 1)
    far = (np.abs(value[later] - value) >= least) & (time[later] - time <= 2 * LEAP_OVER_S)
    when = time[far]
    # Moves that overlap are one leap.
    return int(len(when) > 0) + int((np.diff(when) > LEAP_OVER_S).sum())


def _warmer(inlet: Trace, sensors: Sequence[Trace], start: float, stop: float) -> float:
    """For how long [s] the liquid was ``WARMER_K`` warmer than the median sensor in a stretch."""
    heard = [t for t in sensors if len(t)]
    if stop <= start or not heard:
        return 0.0
    level = float(np.median([np.median(t.value) for t in heard]))
    inside = (inlet.time_s >= start) & (inlet.time_s <= stop)
    time, warm = inlet.time_s[inside], inlet.value[inside] - level >= WARMER_K
    return float(np.diff(time)[warm[:-1]].sum()) if len(time) > 1 else 0.0


def find_noisy(series: PackSeries) -> tuple[FaultyReading, ...]:
    """Cells whose readings scatter much further from one to the next than those of their peers.

    Measured by second differences, in which level and slope drop out, as a median: a few leaps of
    the current do not count.
    """
    noise = np.array([_noise(t) for t in series.cells])
    known = np.isfinite(noise)
    if known.sum() < 3:
        return ()
    usual = float(np.median(noise[known]))
    far = known & (noise > max(NOISY_TIMES * usual, NOISY_V))
    return tuple(
        FaultyReading(
            "cell",
            int(i),
            SensorFault.NOISY,
            float(series.cells[i].time_s[0]),
            float(noise[i]),
            len(series.cells[i]),
        )
        for i in np.flatnonzero(far)
    )


def _noise(trace: Trace) -> float:
    """Standard deviation of single readings [V]; NaN when there are too few."""
    if len(trace) < FEWEST_READINGS:
        return float("nan")
    bends = trace.value[1:-1] - (trace.value[:-2] + trace.value[2:]) / 2.0
    return float(MAD_FACTOR * np.median(np.abs(bends)) / np.sqrt(1.5))


_TEXTS = {
    "current": (
        "current-still",
        "The current reads one value",
        "Whatever is judged by the current means nothing then.",
        "Check the current sensor and whether its message is sent anew each time.",
    ),
    "cells": (
        "cells-still",
        "All cells read one value each",
        "Nobody measures the cells then, nor protects them.",
        "Check whether the monitors measure; one that repeats old values hides every fault.",
    ),
    "temperatures": (
        "temperatures-still",
        "All module temperatures read one value each",
        "Either no liquid flows through any module, or the sensors are not read; this test cannot "
        "part the two.",
        "Check that the pump runs and bleeds, then compare one sensor with a thermometer.",
    ),
}


def standing_findings(standing: Sequence[Standing], layout: PackLayout) -> list[Finding]:
    """One caution for each kind of reading that stood still."""
    address = {
        "current": layout.quantities.get("current"),
        "cells": next((c.address for c in layout.cells), None),
        "temperatures": next((s.address for s in layout.sensors), None),
    }
    found = []
    for one in standing:
        code, summary, why, action = _TEXTS[one.what]
        where = address[one.what]
        if where is None:
            continue
        found.append(
            Finding(
                code,
                Weight.CAUTION,
                place(where, one.start_s),
                f"{summary} from {clock(one.start_s)} to {clock(one.stop_s)} while {one.driver}.",
                why,
                action,
                (Figure("still", one.stop_s - one.start_s, "s"),),
            )
        )
    return found
