"""Is it the pack or the sensor? Readings that cannot be, told apart from real events.

Four kinds, tried in this order: *saturated* (the reading sits at the end of what the signal can
carry), *impossible* (outside anything a cell can do and live), *jumping* (single readings leap away
and come back, which heat and charge cannot), *stuck* (does not move while its peers do). What a
faulty sensor reads is left out of every other judgement.

The bounds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busplan.frames.columns import F64
from busplan.pack.series import PackSeries, Trace
from busplan.pack.statistics import mad_sigma, nan_median
from busplan.plan.vehicle import PackLayout

POSSIBLE_V = (0.1, 6.0)
POSSIBLE_C = (-55.0, 150.0)
JUMP_V = 0.3
JUMP_K = 5.0
FEWEST_JUMPS = 2
SATURATED_SHARE = 0.01
STUCK_PEER_V = 0.03
"""Cells must have moved by this much [V] before a still one is called stuck."""
STUCK_PEER_STEPS = 4.0
"""The same for temperatures, in steps of the sensor."""
MANY_PERIODS = 20.0
"""A channel must stand still for this many of its periods to be called stuck."""
MARGIN_S = 1.0
"""A channel that stood still is compared with its peers only from so long after that began until so
long before it ended (or so many periods, when these are longer)."""
MARGIN_PERIODS = 2.0


class SensorFault(StrEnum):
    """What is wrong with a reading."""

    SATURATED = "saturated"
    IMPOSSIBLE = "impossible"
    JUMPING = "jumping"
    STUCK = "stuck"
    NOISY = "noisy"


@dataclass(frozen=True, slots=True)
class FaultyReading:
    """One faulty channel: ``kind`` is ``cell`` or ``sensor``, ``index`` its place in the layout."""

    kind: str
    index: int
    fault: SensorFault
    time_s: float
    value: float
    count: int


def find_faulty(series: PackSeries, layout: PackLayout) -> tuple[FaultyReading, ...]:
    """Every cell voltage and module temperature that cannot be believed."""
    step_k = temperature_step(series, layout)
    partners = [s.module for s in layout.sensors]
    return (
        *_faulty("cell", series.cells, POSSIBLE_V, JUMP_V, STUCK_PEER_V, None),
        *_faulty("sensor", series.sensors, POSSIBLE_C, JUMP_K, STUCK_PEER_STEPS * step_k, partners),
    )


def temperature_step(series: PackSeries, layout: PackLayout) -> float:
    """The step of the temperatures [K]: the plan's word, else what one bit is worth."""
    if layout.temperature_resolution_k:
        return layout.temperature_resolution_k
    steps = [t.step for t in series.sensors if len(t) and t.step > 0]
    return max(steps, default=0.1)


def voltage_step(series: PackSeries) -> float:
    """The step of the cell voltages [V]."""
    steps = [t.step for t in series.cells if len(t) and t.step > 0]
    return max(steps, default=0.001)


def _faulty(
    kind: str,
    traces: Sequence[Trace],
    possible: tuple[float, float],
    jump: float,
    peer_move: float,
    partners: Sequence[str] | None,
) -> list[FaultyReading]:
    found = []
    for index, trace in enumerate(traces):
        if len(trace):
            reading = (
                _saturated(kind, index, trace)
                or _impossible(kind, index, trace, possible)
                or _jumping(kind, index, trace, jump)
            )
            if reading is not None:
                found.append(reading)
    known = {f.index for f in found}
    found += _stuck(kind, traces, known, peer_move, partners)
    return sorted(found, key=lambda f: f.index)


def _saturated(kind: str, index: int, trace: Trace) -> FaultyReading | None:
    for end in (trace.lowest, trace.highest):
        if end is None:
            continue
        at_end = np.abs(trace.value - end) < max(trace.step, 1e-9) / 2
        if at_end.mean() > SATURATED_SHARE:
            first = int(np.argmax(at_end))
            count = int(at_end.sum())
            time = float(trace.time_s[first])
            return FaultyReading(kind, index, SensorFault.SATURATED, time, end, count)
    return None


def _impossible(
    kind: str, index: int, trace: Trace, possible: tuple[float, float]
) -> FaultyReading | None:
    outside = (trace.value < possible[0]) | (trace.value > possible[1])
    if not outside.any():
        return None
    first = int(np.argmax(outside))
    return FaultyReading(
        kind,
        index,
        SensorFault.IMPOSSIBLE,
        float(trace.time_s[first]),
        float(trace.value[first]),
        int(outside.sum()),
    )


def _jumping(kind: str, index: int, trace: Trace, jump: float) -> FaultyReading | None:
    """Single readings further than ``jump`` from both neighbours, which agree with each other."""
    value = trace.value
    if len(value) < 3:
        return None
    before, here, after = value[:-2], value[1:-1], value[2:]
    leap = np.minimum(np.abs(here - before), np.abs(here - after)) > jump
    leap &= np.abs(after - before) < jump / 2
    count = int(leap.sum())
    if count < FEWEST_JUMPS:
        return None
    first = int(np.argmax(leap)) + 1
    return FaultyReading(
        kind, index, SensorFault.JUMPING, float(trace.time_s[first]), float(value[first]), count
    )


def _stuck(
    kind: str,
    traces: Sequence[Trace],
    known: set[int],
    peer_move: float,
    partners: Sequence[str] | None,
) -> list[FaultyReading]:
    """Channels that do not change at all while their peers move by ``peer_move``.

    When it is only for a part of the capture, the peers must move twice as much. A sensor whose
    whole module stands still tells of the module, unless it reads what no other ever started from.
    """
    sound = [i not in known for i in range(len(traces))]
    whole_travel = np.array([float(np.ptp(t.value)) if len(t) else np.nan for t in traces])
    whole_travel[np.logical_not(sound)] = np.nan
    if not float(np.nan_to_num(nan_median(whole_travel))) >= peer_move:
        return []
    found = []
    for index, trace in enumerate(traces):
        if len(trace) < 4 or index in known:
            continue
        start, stop = _longest_still(trace)
        whole = start == 0 and stop == len(trace)
        need = peer_move if whole else 2.0 * peer_move
        begin, end = float(trace.time_s[start]), float(trace.time_s[stop - 1])
        # A step of the load that ends the stretch reaches some peers before this channel.
        margin = max(MARGIN_S, MARGIN_PERIODS * trace.period_s)
        begin, end = begin + margin, end - margin
        if end - begin < MANY_PERIODS * trace.period_s:
            continue
        travel = np.array([_travel(t, begin, end) for t in traces])
        travel[np.logical_not(sound)] = np.nan
        if not float(np.nan_to_num(nan_median(travel))) >= need:
            continue
        value = float(trace.value[start])
        if partners is not None:
            same = [i for i, m in enumerate(partners) if m == partners[index] and i != index]
            moving = any(travel[i] > need / 2 for i in same)
            if not moving and (not whole or _plausible_start(traces, index, value)):
                continue
        found.append(FaultyReading(kind, index, SensorFault.STUCK, begin, value, stop - start))
    return found


def _longest_still(trace: Trace) -> tuple[int, int]:
    """First index and one past the last of the longest stretch without any change."""
    edges = np.concatenate(([0], np.flatnonzero(np.diff(trace.value)) + 1, [len(trace)]))
    best = int(np.argmax(np.diff(edges)))
    return int(edges[best]), int(edges[best + 1])


def _travel(trace: Trace, start_s: float, stop_s: float) -> float:
    """Highest minus lowest value between two times; NaN when nothing came."""
    first, last = np.searchsorted(trace.time_s, (start_s, stop_s))
    return float(np.ptp(trace.value[first : last + 1])) if last > first else float("nan")


def _plausible_start(traces: Sequence[Trace], index: int, value: float) -> bool:
    """Whether ``value`` is where the other sensors began, within their scatter."""
    starts: F64 = np.array([t.value[0] for i, t in enumerate(traces) if i != index and len(t)])
    scatter = float(np.nan_to_num(mad_sigma(starts)))
    step = max(traces[index].step, 0.1)
    return abs(value - float(np.median(starts))) <= max(3.0 * step, 5.0 * scatter)
