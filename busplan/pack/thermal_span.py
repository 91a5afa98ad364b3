"""Where in a capture the modules warm up or cool down, and the blocks the fit works on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.pack.series import Sampled, Trace
from busplan.pack.statistics import F64, block_means, nan_median

MOST_BLOCKS = 240
SHORTEST_BLOCK_S = 5.0
LEAST_CHANGE_STEPS = 2.0
"""Steps by which the median sensor must move for a span to count as a warm-up or cool-down."""


@dataclass(frozen=True, eq=False)
class ThermalSpan:
    """A warm-up or cool-down in blocks of equal length.

    ``time_s`` (n,) block centres; ``temperature_c`` (n, sensors) block means, NaN where nothing
    came; ``liquid_c`` (n,) or ``None`` when the plan maps no inlet temperature.
    """

    start_s: float
    stop_s: float
    time_s: F64
    temperature_c: F64
    liquid_c: F64 | None
    heating: bool


def find_thermal_span(sampled: Sampled, step_k: float) -> tuple[float, float] | None:
    """Start and stop [s] of the greatest one-way move of the median sensor; ``None`` if too small.

    The greatest rise (or fall) between any two moments in order; then the level part before it is
    left out, because pump and heater may not have run there.
    """
    if len(sampled.time_s) < 4:
        return None
    edges = _edges(float(sampled.time_s[0]), float(sampled.time_s[-1]))
    blocks = block_means(sampled.time_s, sampled.value, edges)
    median = nan_median(blocks, axis=1)
    known = np.isfinite(median)
    if known.sum() < 4:
        return None
    centre, median = ((edges[:-1] + edges[1:]) / 2)[known], median[known]
    best: tuple[float, int, int, float] = (0.0, 0, 0, 1.0)
    for sign in (1.0, -1.0):
        lowest = np.minimum.accumulate(sign * median)
        change = sign * median - lowest
        stop = int(np.argmax(change))
        if change[stop] > best[0]:
            start = int(np.argmin(sign * median[: stop + 1]))
            best = (float(change[stop]), start, stop, sign)
    change_k, start, stop, sign = best
    if change_k < LEAST_CHANGE_STEPS * step_k:
        return None
    level = np.flatnonzero(sign * (median[: stop + 1] - median[start]) <= step_k / 4)
    half = (edges[1] - edges[0]) / 2
    return float(centre[level[-1]] - half), float(centre[stop] + half)


def cut_thermal_span(
    sampled: Sampled, liquid: Trace | None, start_s: float, stop_s: float
) -> ThermalSpan:
    """The blocks of one span."""
    edges = _edges(start_s, stop_s)
    temperature = block_means(sampled.time_s, sampled.value, edges)
    centre = (edges[:-1] + edges[1:]) / 2
    median = nan_median(temperature, axis=1)
    known = np.flatnonzero(np.isfinite(median))
    heating = bool(len(known) < 2 or median[known[-1]] >= median[known[0]])
    liquid_c = _liquid(liquid, edges, centre)
    return ThermalSpan(start_s, stop_s, centre, temperature, liquid_c, heating)


def _edges(start_s: float, stop_s: float) -> F64:
    block = max(SHORTEST_BLOCK_S, (stop_s - start_s) / MOST_BLOCKS)
    count = max(int((stop_s - start_s) / block), 1)
    return np.linspace(start_s, stop_s, count + 1)


def _liquid(trace: Trace | None, edges: F64, centre: F64) -> F64 | None:
    """The liquid's temperature at the block centres; ``None`` when too little of it came."""
    if trace is None:
        return None
    means = block_means(trace.time_s, trace.value[:, None], edges)[:, 0]
    known = np.isfinite(means)
    if known.sum() < 2 or known.mean() < 0.5:
        return None
    return np.asarray(np.interp(centre, centre[known], means[known]), np.float64)
