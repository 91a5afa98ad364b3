"""Insulation by the vehicle's own monitor: how low, how it goes, and what is no measurement.

* At least 100 Ω per volt of working voltage for direct current, 500 Ω/V where alternating current
  shares the circuit (UN Regulation 100, 5.1.3, as quoted; ISO 6469-3, from memory). The working
  voltage is the pack's highest.
* A monitor begins with zeros (or with its highest value) and tests itself: what comes before its
  first other value within ``START_S``, and dips shorter than ``LOW_S``, are no faults (common
  practice, no source).
* Falling: the last fifth under ``FALLEN_SHARE`` of the first, steadily, and so low that it matters
  (``FALLING_OHM_V``; common practice, no source).
"""

from __future__ import annotations

import numpy as np

from busplan.answers import Interval
from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64, Mask
from busplan.pack.electrical.check import Result, SenseFigure, judged, not_shown, unheard
from busplan.pack.labels import clock, place
from busplan.pack.series import PackSeries, Trace
from busplan.pack.statistics import longest_run
from busplan.plan.vehicle import PackLayout

FAULT_OHM_V = 100.0
CAUTION_OHM_V = 500.0
START_S = 60.0
LOW_S = 10.0
SETTLING_S = 60.0
TREND_S = 120.0
FALLEN_SHARE = 0.5
FALLING_OHM_V = 2500.0
PARTS = 10
NOT_MEASURING = ("measuring", "test", "init", "start", "off", "standby", "fault", "error", "wait")


def insulation(series: PackSeries, layout: PackLayout) -> Result:
    """The lowest insulation that lasted, per volt, and where it is going."""
    name = "insulation"
    missing = unheard(name, series, layout, "insulation")
    if missing is not None:
        return missing
    trace = series.quantities["insulation"]
    use = _measuring(trace, series)
    time, ohms = trace.time_s[use], trace.value[use]
    volts = working_voltage(series, layout)
    if volts is None:
        return not_shown(
            name,
            "neither cells nor pack voltage tell the voltage it must withstand",
            "map cells or voltage in [pack] of the plan and record them",
        )
    if len(time) < 3 or time[-1] - time[0] < LOW_S:
        return not_shown(
            name,
            "the monitor had not measured for long"
            if len(time)
            else "the monitor told nothing but start-up values",
            f"record {LOW_S + START_S:.0f} s with the monitor running",
        )
    per_volt = ohms / volts
    figures = [_lowest_figure(time, per_volt, volts, trace.step)]
    for bound, weight in ((FAULT_OHM_V, Weight.FAULT), (CAUTION_OHM_V, Weight.CAUTION)):
        start, length = longest_run(time, np.asarray(per_volt < bound))
        if length >= LOW_S:
            found = _low(time, ohms, volts, bound, weight, (start, length), layout)
            return judged(name, found.summary, [found], figures)
    falling = _falling(time, ohms, volts, layout)
    if falling is not None:
        return judged(name, falling.summary, [falling], figures)
    lowest = figures[0]
    text = f"lowest {lowest.value * volts / 1e3:.0f} kΩ, {lowest.value:.0f} Ω/V at {volts:.0f} V"
    if per_volt[-1] < CAUTION_OHM_V:
        return not_shown(
            name,
            f"{text}; low at the end",
            f"whether it stays so shows after {LOW_S:.0f} s",
            figures,
        )
    return judged(name, text, figures=figures)


def _measuring(trace: Trace, series: PackSeries) -> Mask:
    """Which readings are measurements: neither the start-up's nor while the monitor says not."""
    use = np.ones(len(trace), np.bool_)
    # What it begins with is a measurement only if it moves, or stays past the start-up.
    ends = {0.0, trace.lowest, trace.highest}
    if trace.value[0] in ends or trace.value[0] <= trace.step:
        other = np.flatnonzero(trace.value != trace.value[0])
        until = int(other[0]) if len(other) else len(trace)
        if trace.time_s[until - 1] - trace.time_s[0] <= START_S:
            use[:until] = False
    state = series.quantity("insulation_state")
    if state is not None:
        row = np.searchsorted(state.time_s, trace.time_s, side="right") - 1
        words = {float(v): n.lower() for v, n in state.choices.items()}
        off = {v for v, n in words.items() if any(w in n for w in NOT_MEASURING)}
        told = np.isin(np.round(state.value), list(off))
        use &= ~(told[np.maximum(row, 0)] & (row >= 0))
    return use


def working_voltage(series: PackSeries, layout: PackLayout) -> float | None:
    """The highest voltage the pack may have [V]: its cells at their upper limit.

    Of what was measured where that is more; ``None`` where neither is known.
    """
    pack = series.quantity("voltage")
    full = layout.limits.cell_high_v * len(layout.cells)
    seen = float(pack.value.max()) if pack is not None else 0.0
    return max(full, seen) if max(full, seen) > 0.0 else None


def _lowest_figure(time: F64, per_volt: F64, volts: float, step: float) -> SenseFigure:
    """The lowest that lasted ``LOW_S``: the lowest of running medians over it."""
    count = max(round(LOW_S / max(float(np.median(np.diff(time))), 1e-3)), 1)
    if len(per_volt) <= count:
        windows = per_volt[None, :]
    else:
        windows = np.lib.stride_tricks.sliding_window_view(per_volt, count)
        windows = windows[:: max(len(windows) // 5000, 1)]
    middles = np.median(windows, axis=1)
    row = int(np.argmin(middles))
    low, high = np.percentile(windows[row], (2.5, 97.5)).tolist()
    low, high = low - 0.5 * step / volts, high + 0.5 * step / volts
    return SenseFigure(
        "insulation", float(middles[row]), "Ω/V", Interval(low, high),
        f"lowest over {LOW_S:.0f} s, at {volts:.0f} V",
    )  # fmt: skip


def _low(
    time: F64,
    ohms: F64,
    volts: float,
    bound: float,
    weight: Weight,
    run: tuple[float, float],
    layout: PackLayout,
) -> Finding:
    start, length = run
    inside = (time >= start) & (time <= start + length)
    lowest = float(ohms[inside].min())
    return Finding(
        "insulation-low",
        weight,
        place(layout.quantities["insulation"], start),
        f"Insulation was under {bound:.0f} Ω per volt for {length:.0f} s from {clock(start)}: down "
        f"to {lowest / 1e3:.0f} kΩ, {lowest / volts:.0f} Ω per volt at {volts:.0f} V.",
        "A second fault to the body can then drive a current through a person.",
        "Do not touch; have licensed people find the leak before the pack is used.",
        (
            Figure("insulation", lowest / 1e3, "kΩ"),
            Figure("per volt", lowest / volts, "Ω/V"),
            Figure("longest", length, "s"),
        ),
    )


def _falling(time: F64, ohms: F64, volts: float, layout: PackLayout) -> Finding | None:
    settled = time >= time[0] + SETTLING_S
    time, ohms = time[settled], ohms[settled]
    if len(time) < 3 * PARTS or time[-1] - time[0] < TREND_S:
        return None
    parts = np.array([np.median(p) for p in np.array_split(ohms, PARTS)])
    first, last = float(parts[:2].mean()), float(parts[-2:].mean())
    steady = int((np.diff(parts) < 0).sum()) >= PARTS - 3
    if not (steady and last < FALLEN_SHARE * first and last / volts < FALLING_OHM_V):
        return None
    minutes = float(time[-1] - time[0]) / 60.0
    return Finding(
        "insulation-falling",
        Weight.CAUTION,
        place(layout.quantities["insulation"], float(time[0])),
        f"Insulation fell from {first / 1e3:.0f} to {last / 1e3:.0f} kΩ within {minutes:.0f} min, "
        f"to {last / volts:.0f} Ω per volt.",
        "Water or a damaged cable may be at work; it goes on falling until a person can be hurt.",
        "Have licensed people look for moisture and chafed cables before the pack is used.",
        (
            Figure("at first", first / 1e3, "kΩ"),
            Figure("at last", last / 1e3, "kΩ"),
            Figure("per volt", last / volts, "Ω/V"),
        ),
    )
