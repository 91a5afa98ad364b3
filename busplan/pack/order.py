"""Which cell reaches the top first when charging, and the bottom first when discharging.

Near an end the pack is limited by one cell. The order is taken from voltages freed of the sag of
each cell's own resistance where that is known, V + R I, at the moment the first cell is furthest.
``NEAR_TOP_V`` and ``NEAR_BOTTOM_V`` say how near the limit counts as the end (common practice, no
source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64
from busplan.pack.labels import cell_label, clock, place, sentence
from busplan.pack.resistance import Resistance
from busplan.pack.series import PackSeries
from busplan.pack.statistics import deviates, gate, nan_median
from busplan.plan.vehicle import PackLayout

NEAR_TOP_V = 0.05
NEAR_BOTTOM_V = 0.20
AROUND_S = 15.0
ARRIVED_V = 0.002
"""The first cell has arrived once it is this near the furthest it gets."""
LEAST_LEAD_V = 0.008
"""A smaller lead than this is natural scatter (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class EndOrder:
    """The order of the cells at one end (``top`` or bottom) of the charge.

    ``lead_v`` (m,): how far each cell is ahead of the median cell towards that end [V];
    ``lead_s`` (m,): how much earlier it came to where the median cell ends [s], NaN where it never
    did; ``order`` lists cells (indices), first one first; ``time_s`` is the moment judged and
    ``reached_s`` when the first cell's measured voltage came to its end.
    """

    top: bool
    time_s: float
    reached_s: float
    lead_v: F64
    lead_s: F64
    order: tuple[int, ...]

    @property
    def first(self) -> int | None:
        """The cell that is ahead of its peers beyond scatter, if there is one."""
        first = self.order[0]
        far = float(deviates(self.lead_v, 0.0, LEAST_LEAD_V / 4.0)[first])
        clear = far > gate(len(self.lead_v)) and self.lead_v[first] > LEAST_LEAD_V
        return first if clear else None


def end_order(
    series: PackSeries,
    layout: PackLayout,
    resistance: Resistance | None,
    faulty: frozenset[tuple[str, int]],
    *,
    top: bool,
) -> EndOrder | None:
    """The order at one end; ``None`` when the capture does not come near it in that direction."""
    sampled = series.voltage
    if len(sampled.time_s) < 10:
        return None
    level = sampled.value.copy()
    amps = series.quantity_at("current", sampled.time_s)
    if amps is not None and resistance is not None and resistance.judged:
        level += np.nan_to_num(resistance.value)[None, :] * np.nan_to_num(amps)[:, None]
    level[:, [i for kind, i in faulty if kind == "cell"]] = np.nan
    sign = 1.0 if top else -1.0
    known = np.isfinite(level)
    extreme = np.max(sign * level, axis=1, initial=-np.inf, where=known)
    row = int(np.argmax(extreme))
    near = (
        extreme[row] >= layout.limits.cell_high_v - NEAR_TOP_V
        if top
        else -extreme[row] <= layout.limits.cell_low_v + NEAR_BOTTOM_V
    )
    if not np.isfinite(extreme[row]) or not near or not _towards(amps, row, sign):
        return None
    time = float(sampled.time_s[row])
    around = np.abs(sampled.time_s - time) <= AROUND_S
    # Smoothed over a few seconds, so that one bit of noise does not choose the first cell.
    ahead = nan_median(sign * level[around], axis=0)
    lead_v = ahead - nan_median(ahead)
    order = np.argsort(-np.nan_to_num(lead_v, nan=-np.inf), kind="stable")
    median = nan_median(sign * level, axis=1)
    target = _greatest(median[: row + 1])
    lead_s = np.full(len(lead_v), np.nan)
    reference = _first_time(sampled.time_s, median, target)
    for column in range(len(lead_v)):
        lead_s[column] = reference - _first_time(sampled.time_s, sign * level[:, column], target)
    first = sign * sampled.value[: row + 1, order[0]]
    reached = _first_time(sampled.time_s[: row + 1], first, _greatest(first) - ARRIVED_V)
    reached = time if np.isnan(reached) else reached  # its own value was not heard before
    return EndOrder(top, time, reached, lead_v, lead_s, tuple(int(i) for i in order))


def _towards(amps: F64 | None, row: int, sign: float) -> bool:
    """Whether the current has led towards this end before the moment judged."""
    if amps is None:
        return True
    return bool(sign * float(np.nan_to_num(amps[: row + 1]).mean()) < 0.0)


def _greatest(values: F64) -> float:
    return float(np.max(values, initial=-np.inf, where=np.isfinite(values)))


def _first_time(time_s: F64, level: F64, target: float) -> float:
    with np.errstate(invalid="ignore"):
        reached = np.flatnonzero(level >= target)
    return float(time_s[reached[0]]) if len(reached) else float("nan")


def order_findings(order: EndOrder, layout: PackLayout) -> list[Finding]:
    """A caution for the cell that limits the pack at this end, if one stands out."""
    first = order.first
    if first is None:
        return []
    cell = layout.cells[first]
    lead_mv, lead_s = float(order.lead_v[first]) * 1e3, float(order.lead_s[first])
    end = "top of charge" if order.top else "bottom of discharge"
    earlier = f", {lead_s:.0f} s before the median cell" if lead_s >= 1.0 else ""
    figures = [Figure("lead", lead_mv, "mV")]
    if np.isfinite(lead_s):
        figures.append(Figure("lead in time", lead_s, "s"))
    return [
        Finding(
            "cell-first-to-top" if order.top else "cell-first-to-bottom",
            Weight.CAUTION,
            place(cell.address, order.reached_s),
            f"{sentence(cell_label(cell))} comes first "
            f"to the {end}: {lead_mv:.0f} mV ahead of its peers at "
            f"{clock(order.time_s)}{earlier} (it arrived at {clock(order.reached_s)}).",
            f"It ends {'charging' if order.top else 'driving'} before the other cells are "
            f"{'full' if order.top else 'empty'}.",
            "Balance the pack; if it stays ahead at both ends, the cell has less capacity.",
            tuple(figures),
        )
    ]
