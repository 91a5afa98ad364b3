"""Temperatures that all stood still although the current must have warmed the pack.

Readings that stay constant to the last bit may be honest: a mild charge warms a module by less than
a step. Where the heat of the current should have moved them by more than a step they show nothing
any more: the cooling carried all of it away, or nobody reads the sensors, and the capture cannot
part the two. That accuses nobody, but it is no good news either.

What is expected is the same for each cell, and on the low side (common practice, no source)::

    rise = (integral of I² R dt − REVERSIBLE_V |charge moved|) / (HEAT_J_K_AH capacity)

R is the judged middle cell's, else ``OHM_AH`` over the capacity (which that gives, where the plan
states none). Where neither is known the capacity is the least one that bears the current: to lose
the cells makes no answer better. The second term is the heat that charging and discharging take up
or give back by the entropy of the cells: 0.05 mV/K at 300 K. Liquid that is known to be colder than
the modules carries any heat away; then nothing is expected.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from busplan.frames.columns import F64
from busplan.pack.labels import clock, sentence
from busplan.pack.resistance import Resistance
from busplan.pack.series import PackSeries
from busplan.pack.standing import longest_still
from busplan.plan.vehicle import PackLayout

OHM_AH = 0.060
"""Resistance of an ordinary cell times its capacity [Ω Ah]: 0.6 mΩ at 100 Ah."""
HEAT_J_K_AH = 25.0
"""Heat capacity of a cell, and of what is bolted to it, by its capacity [J/K/Ah]."""
REVERSIBLE_V = 0.015
MOST_PER_H, LEAST_AH = 10.0, 10.0
"""Cells of unknown capacity bear so many times that in an hour at most, and have so much [Ah]."""
SHOWS = "hold one temperature sensor against a thermometer, or record until they move"
COLDER_K = 1.0
"""Liquid that lies so far below the modules cools them."""


@dataclass(frozen=True, slots=True)
class Unmoved:
    """All temperatures stood still from when to when [s], and what the current had warmed them by.

    ``expected_k`` [K] is more than ``step_k``, the step of the readings; ``at_most`` where neither
    resistance nor capacity of the cells is known.
    """

    start_s: float
    stop_s: float
    expected_k: float
    step_k: float
    at_most: bool = False

    @property
    def words(self) -> str:
        """What is open by it, and what would show it."""
        by = "up to" if self.at_most else "about"
        return (
            f"all temperatures read one value each for {clock(self.stop_s - self.start_s)}, in "
            f"which the current warms the cells by {by} {self.expected_k:.1f} K: cooled that "
            f"well, or not read; {SHOWS}"
        )

    @property
    def action(self) -> str:
        """What would show it."""
        return f"{sentence(SHOWS)}."


def find_unmoved(
    series: PackSeries,
    layout: PackLayout,
    resistance: Resistance | None,
    step_k: float,
    unbelieved: Collection[tuple[str, int]] = (),
) -> Unmoved | None:
    """The longest stretch in which no temperature moved, where that shows nothing any more.

    ``None`` where something moved or nothing had to, and where the current is not known.
    """
    current = series.quantity("current")
    traces = [t for i, t in enumerate(series.sensors) if ("sensor", i) not in unbelieved]
    start, stop = longest_still(traces)
    if current is None or stop <= start:
        return None
    level_c = float(np.median([np.median(t.value) for t in traces if len(t)]))
    if _cooled(series, level_c, start, stop):
        return None
    inside = (current.time_s >= start) & (current.time_s <= stop)
    time, amps = current.time_s[inside], current.value[inside]
    if len(time) < 2:
        return None
    cell = _cell(layout, resistance)
    least_ah = max(float(np.abs(amps).max()) / MOST_PER_H, LEAST_AH)
    ohm, capacity_ah = cell or (OHM_AH / least_ah, least_ah)
    lasted: F64 = np.minimum(np.diff(time), current.stale_s)
    joule = np.cumsum(amps[:-1] ** 2 * lasted) * ohm
    entropy = np.abs(np.cumsum(amps[:-1] * lasted)) * REVERSIBLE_V
    expected = float((joule - entropy).max()) / (HEAT_J_K_AH * capacity_ah)
    return Unmoved(start, stop, expected, step_k, cell is None) if expected > step_k else None


def _cell(layout: PackLayout, resistance: Resistance | None) -> tuple[float, float] | None:
    """Resistance [Ω] and capacity [Ah] of the middle cell: judged, stated, else ordinary ones."""
    judged = resistance is not None and resistance.judged
    ohm = resistance.middle if resistance is not None and judged else float("nan")
    if layout.capacity_ah:
        return (ohm if ohm > 0.0 else OHM_AH / layout.capacity_ah), layout.capacity_ah
    return (ohm, OHM_AH / ohm) if ohm > 0.0 else None


def _cooled(series: PackSeries, level_c: float, start: float, stop: float) -> bool:
    """Whether liquid that is colder than the modules was heard in a stretch."""
    inlet = series.quantity("inlet_temperature")
    if inlet is None:
        return False
    inside = (inlet.time_s >= start) & (inlet.time_s <= stop)
    return bool(inside.any()) and float(np.median(inlet.value[inside])) < level_c - COLDER_K
