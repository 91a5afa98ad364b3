"""What quantised sensors tell of a warm-up: when each passed from one code to the next.

A reading that does not change says little; the moment it changes says that the temperature was half
way between the two codes, to a few hundredths of a kelvin. Beside the changes stand one value for
the level start and one for the end, each known to step/√12 (a uniform distribution).

Steps finer than ``FINEST_K`` are gathered into steps of about that size: the noise of a sensor
would make many changes of one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.frames.columns import F64, I64, Mask
from busplan.pack.series import Trace
from busplan.pack.statistics import rounding_sigma
from busplan.pack.thermal_span import ThermalSpan

FINEST_K = 0.25
CHANGE_K = 0.05
CHANGE_SHARE = 0.06
"""A change of code is known to 0.05 K and 6 % of the step (converter and noise; no source)."""
LEAST_HEARD = 0.8
"""A sensor must be heard over this part of the span."""


@dataclass(frozen=True, eq=False)
class Observations:
    """Observations of all sensors, those of sensor i at ``first[i]:first[i + 1]``.

    ``time_s`` from the span's start, ``value`` [°C], ``sigma`` [K]. Per sensor: ``start_c`` and its
    ``start_sigma`` (level start), ``end_c``, ``travel_k`` (highest less lowest reading), ``step_k``
    (as gathered) and ``heard``. ``length_s`` is the span's.
    """

    first: I64
    time_s: F64
    value: F64
    sigma: F64
    start_c: F64
    start_sigma: F64
    end_c: F64
    travel_k: F64
    step_k: F64
    heard: Mask
    length_s: float

    @property
    def sensors(self) -> int:
        """How many sensors there are."""
        return len(self.first) - 1

    @property
    def owner(self) -> I64:
        """Sensor of each observation."""
        return np.repeat(np.arange(self.sensors), np.diff(self.first))


def observe(
    traces: Sequence[Trace], span: ThermalSpan, step_k: float, rate_k_s: float
) -> Observations:
    """The observations of a span; ``step_k`` is the step the plan or the definition tells.

    ``rate_k_s``, about how fast temperatures move, says what the distance of two values costs.
    """
    parts: list[F64] = []
    counts, rows = [], []
    step_k = step_read(traces, span, step_k)
    for trace in traces:
        part, row = _one(trace, span, step_k, rate_k_s)
        parts.append(part)
        counts.append(len(part))
        rows.append(row)
    everything = np.concatenate(parts) if parts else np.empty((0, 3))
    table = np.array(rows, np.float64).reshape(len(rows), 6)
    return Observations(
        first=np.concatenate(([0], np.cumsum(counts))).astype(np.int64),
        time_s=np.ascontiguousarray(everything[:, 0]),
        value=np.ascontiguousarray(everything[:, 1]),
        sigma=np.ascontiguousarray(everything[:, 2]),
        start_c=table[:, 0],
        start_sigma=table[:, 1],
        end_c=table[:, 2],
        travel_k=table[:, 3],
        step_k=table[:, 4],
        heard=table[:, 5] > 0,
        length_s=span.stop_s - span.start_s,
    )


_NOTHING = (float("nan"), float("nan"), float("nan"), float("nan"), float("nan"), 0.0)


def _one(
    trace: Trace, span: ThermalSpan, step_k: float, rate_k_s: float
) -> tuple[F64, tuple[float, ...]]:
    """Rows (time, value, sigma) of one sensor, and its own figures."""
    from busplan.pack.exchange_kernels import crossings

    begin, end = np.searchsorted(trace.time_s, (span.start_s, span.stop_s + 1e-6))
    time, value = trace.time_s[begin:end] - span.start_s, trace.value[begin:end]
    length = span.stop_s - span.start_s
    if len(time) < 4 or not _covered(time, trace, length):
        return np.empty((0, 3)), _NOTHING
    step = step_k
    many = max(round(FINEST_K / step), 1)
    origin = float(value[0])
    fine = np.rint((value - origin) / step).astype(np.int64)
    moves = int(np.searchsorted(time, span.moves_s - span.start_s)) if span.plateau else 0
    moves = min(max(moves, 1), len(time) - 1)
    start_c, start_sigma = _level(value[:moves], step)
    code = np.floor_divide(fine, many)[max(moves - 1, 0) :]
    found = np.empty((len(code), 4))
    rows = found[: crossings(np.ascontiguousarray(time[max(moves - 1, 0) :]), code, found)]
    # Gathered code j begins at fine code j * many, half a step below it.
    at = origin + ((rows[:, 1] + 0.5) * many - 0.5) * step
    sigma = np.sqrt(
        CHANGE_K**2
        + (CHANGE_SHARE * step) ** 2
        + rounding_sigma(1.0) ** 2
        * (((rows[:, 2] - 1.0) * many * step) ** 2 + (rate_k_s * rows[:, 3]) ** 2)
    )
    when = float(time[moves - 1]) / 2 if span.plateau else float(time[0])
    # The last value that is not a flicker: what most of the last quarter minute told.
    last = value[time > time[-1] - max(15.0, 2 * trace.period_s)]
    end_c, end_sigma = _level(last, step)
    late = float(time[-1] + time[len(time) - len(last)]) / 2
    part = np.concatenate(
        (
            [[when, start_c, start_sigma]],
            np.column_stack((rows[:, 0], at, sigma)),
            [[late, end_c, np.hypot(end_sigma, rate_k_s * 5.0)]],
        )
    )
    return part, (start_c, start_sigma, end_c, float(np.ptp(value)), many * step, 1.0)


def _covered(time_s: F64, trace: Trace, length_s: float) -> bool:
    """Whether both ends and most of the span were heard."""
    stale = max(trace.stale_s, 1.0)
    edge = max(2.0 * stale, 0.05 * length_s)
    if time_s[0] > edge or time_s[-1] < length_s - edge:
        return False
    gaps = np.diff(time_s)
    return float(gaps[gaps > stale].sum()) <= (1.0 - LEAST_HEARD) * length_s


def step_read(traces: Sequence[Trace], span: ThermalSpan, told_k: float) -> float:
    """The step of the readings: as told, or the least change most sensors show when greater."""
    least = []
    for trace in traces:
        begin, end = np.searchsorted(trace.time_s, (span.start_s, span.stop_s + 1e-6))
        changes = np.abs(np.diff(trace.value[begin:end]))
        changes = changes[changes > 1e-9]
        if len(changes):
            least.append(float(changes.min()))
    return max(told_k, float(np.median(least)) if least else told_k, 1e-3)


def _level(value: F64, step: float) -> tuple[float, float]:
    """A level reading and its sigma: sharper where it flickers between two codes."""
    mean = float(value.mean())
    low = float(value.min())
    high_share = float((value > low + step / 2).mean())
    if len(value) >= 10 and 0.15 < high_share < 0.85 and float(np.ptp(value)) < 1.5 * step:
        return low + step / 2, max(CHANGE_K, 0.1 * step)
    return mean, max(rounding_sigma(step), CHANGE_K)
