"""Readings that make no sense as a whole: a wrong sign, a wrong scale, the same reading twice.

Each is one statement about a definition or the plan, where a judgement of its effects would name
every cell. Bounds, all from made packs and solved cells, rounded outwards (common practice, no
source):

* Sign: taken over ``RIPPLE_S``, a cell falls while the discharge current rises; the correlation was
  0.84 to 0.98 in sound packs. Of fewer than ``LEAST_BINS`` moments it has to be clearer.
* Scale of the current: the fall per ampere times the capacity was 0.04 to 0.09 Ω·Ah;
  ``FALL_OHM_AH`` holds three times either side. Without a capacity that of any cell from
  ``CELL_AH`` has to do, so only a factor of a thousand can be told.
* Scale of the cells: a median outside ``CELL_V`` is no cell of any common chemistry.
* Twins: sound neighbours shared up to 83 % of their changes, never a constant difference.

What cannot be told so: a gain off by a third, an offset of a few amperes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log10

import numpy as np

from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64
from busplan.pack.labels import cell_label, listed, place
from busplan.pack.series import PackSeries, Trace
from busplan.pack.statistics import nan_median, time_where
from busplan.pack.windows import REST_A
from busplan.plan.vehicle import PackLayout
from busplan.wording import plain

RIPPLE_S = 30.0
BIN_S = 1.0
SURE = 0.6
"""A correlation beyond this tells the sign."""
LEAST_RANGE_A = 20.0
LEAST_BINS = 60
SURE_SOON = 0.9
FEWEST_BINS, FALL_V = 12, 0.01
"""In so few moments, if the median cell moved so far with a current over ``LEAST_RANGE_A``."""
GIVING_A, GIVING_S = 2.0, 10.0
"""A charger that gives so much for so long shows which way the pack's current is charging."""
FALL_OHM_AH = (0.015, 0.3)
CELL_AH = (2.0, 500.0)
WRONG_SCALE, WRONG_SIGN = "the current has the wrong scale", "the current has the wrong sign"
WRONG_CELLS = "all cells have the wrong scale"
DOUBTS = (WRONG_SCALE, WRONG_SIGN, WRONG_CELLS)
"""Why nothing can be judged by current and cells together."""
CELL_V = (1.4, 4.6)
USUAL_CELL_V = 3.3
ALIKE_SHARE = 0.9
"""So many readings must be those of cells by one scale."""
USUAL_FALL_OHM_AH = 0.06
TWIN_CHANGES = 500
"""So many changes alike with a constant difference are no chance..."""
SAME_CHANGES = 100
"""... and so many with none."""


@dataclass(frozen=True, slots=True)
class CurrentSense:
    """How the median cell moves with the current, both freed of what is slower than ``RIPPLE_S``.

    ``correlation`` of the discharge current [A] with the fall of the voltage, −1 to 1, over
    ``bins`` moments; ``fall_ohm`` the fall per ampere; ``range_a`` the span of the current. NaN:
    not known.
    """

    correlation: float
    fall_ohm: float
    range_a: float
    bins: int = LEAST_BINS

    @property
    def sign_wrong(self) -> bool:
        """Whether the cells rise with the discharge current, so that its sign is wrong."""
        return self.range_a > 0.0 and self.correlation < -self._sure

    @property
    def sign_right(self) -> bool:
        """Whether the cells fall with the discharge current."""
        return self.range_a > 0.0 and self.correlation > self._sure

    @property
    def _sure(self) -> float:
        if self.bins >= LEAST_BINS:
            return SURE
        moved = self.range_a > LEAST_RANGE_A and abs(self.fall_ohm) * self.range_a > FALL_V
        return SURE_SOON if moved else 1.0

    def scale_off(self, capacity_ah: float | None = None) -> float | None:
        """The power of ten by which the current reads too high (1000: milliamperes as amperes).

        ``None`` when it is plausible or cannot be told. ``capacity_ah`` of a cell, where known;
        without it the answer is 1000 or 0.001 for anything beyond what any cell can do.
        """
        if not abs(self.correlation) > SURE or self.bins < LEAST_BINS or self.fall_ohm == 0.0:
            return None
        fall = abs(self.fall_ohm)
        low, high = FALL_OHM_AH
        smallest, largest = CELL_AH if capacity_ah is None else (capacity_ah, capacity_ah)
        if low / largest <= fall <= high / smallest:
            return None
        usual = USUAL_FALL_OHM_AH / (smallest * largest) ** 0.5
        if capacity_ah is None:
            return 1000.0 if fall < usual else 0.001
        return float(10.0 ** round(log10(usual / fall)))


def current_sense(cells: Sequence[Trace], current: Trace | None) -> CurrentSense:
    """How the pack's cells move with the current, ``current`` positive when it discharges."""
    unknown = CurrentSense(float("nan"), float("nan"), 0.0)
    heard = [t for t in cells if len(t) > 2]
    if current is None or len(current) < 3 or not heard:
        return unknown
    start = max(float(current.time_s[0]), min(float(t.time_s[0]) for t in heard))
    stop = min(float(current.time_s[-1]), max(float(t.time_s[-1]) for t in heard))
    edges = np.arange(start, stop, max(BIN_S, 2.0 * heard[0].period_s, 2.0 * current.period_s))
    if len(edges) < FEWEST_BINS:
        return unknown
    amps = _means(current, edges)
    # A few cells over the whole string tell as much as all of them.
    chosen = heard[:: max(len(heard) // 12, 1)]
    volts = nan_median(np.stack([_means(t, edges) for t in chosen], axis=1), axis=1)
    wide = max(int(RIPPLE_S / (edges[1] - edges[0])) | 1, 3)
    known = np.isfinite(amps) & np.isfinite(volts)
    bins = int(known.sum())
    if bins < FEWEST_BINS:
        return unknown
    quick_a = _quick(amps[known], wide)
    quick_v = -_quick(volts[known], wide)
    power_a, power_v = float(quick_a @ quick_a), float(quick_v @ quick_v)
    if power_a <= 0.0 or power_v <= 0.0:
        return CurrentSense(float("nan"), float("nan"), float(np.ptp(current.value)))
    shared = float(quick_a @ quick_v)
    return CurrentSense(
        shared / (power_a * power_v) ** 0.5, shared / power_a, float(np.ptp(current.value)), bins
    )


def sign_shown(series: PackSeries) -> bool:
    """Whether the cells, or a charger that gives, show that the current's sign is right."""
    current = series.quantity("current")
    if current is None:
        return False
    if current_sense(series.cells, current).sign_right:
        return True
    given = series.quantity("charger_current")
    if given is None:
        return False
    amps = current.at(given.time_s)
    giving = np.isfinite(amps) & (given.value > GIVING_A)
    lasted = time_where(given.time_s, giving) >= GIVING_S
    return lasted and float(np.median(amps[giving])) < -REST_A


def _means(trace: Trace, edges: F64) -> F64:
    """Means between edges (b + 1,) → (b,); NaN where nothing came."""
    index = np.searchsorted(edges, trace.time_s, side="right") - 1
    inside = (index >= 0) & (index < len(edges) - 1)
    count = np.bincount(index[inside], minlength=len(edges) - 1)
    total = np.bincount(index[inside], trace.value[inside], len(edges) - 1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _quick(values: F64, wide: int) -> F64:
    """What is left of ``values`` beside their moving mean over ``wide`` (odd) of them."""
    padded = np.pad(values, wide // 2, mode="edge")
    return np.asarray(values - np.convolve(padded, np.ones(wide) / wide, "valid"), np.float64)


def cell_scale_off(cells: Sequence[Trace]) -> float | None:
    """The power of ten by which all cells read too high (1000: millivolts as volts).

    ``None`` when the median cell is plausible, stands at zero, or is off by no power of ten; and
    where readings lie far apart, as those of a wrong byte order do: no scale makes cells of them.
    """
    middles = np.array([float(np.median(t.value)) for t in cells if len(t)])
    middle = float(np.median(middles)) if len(middles) else 0.0
    if middle <= 0.0 or CELL_V[0] <= middle <= CELL_V[1]:
        return None
    factor = float(10.0 ** round(log10(middle / USUAL_CELL_V)))
    if factor == 1.0 or not CELL_V[0] <= middle / factor <= CELL_V[1]:
        return None
    values = [t.value for t in cells if len(t)]
    like = sum(int(((v > factor * CELL_V[0]) & (v < factor * CELL_V[1])).sum()) for v in values)
    return factor if like >= ALIKE_SHARE * sum(map(len, values)) else None


def twins(cells: Sequence[Trace]) -> list[tuple[int, ...]]:
    """Groups of cells (indices) whose readings keep one difference throughout."""
    groups: dict[bytes, list[int]] = {}
    for index, trace in enumerate(cells):
        if len(trace) < SAME_CHANGES or trace.step <= 0.0:
            continue
        raw = np.round(trace.value / trace.step).astype(np.int64)
        changes = np.diff(raw)
        moved = int(np.count_nonzero(changes))
        if moved >= SAME_CHANGES:
            start = raw[:1].tobytes() if moved < TWIN_CHANGES else b""
            groups.setdefault(start + changes.tobytes(), []).append(index)
    return [tuple(g) for g in groups.values() if len(g) > 1]


def current_doubt(series: PackSeries, capacity_ah: float | None = None) -> str:
    """Why nothing can be judged by current and cells together, "" when nothing speaks against."""
    if cell_scale_off(series.cells) is not None:
        return WRONG_CELLS
    sense = current_sense(series.cells, series.quantity("current"))
    if sense.scale_off(capacity_ah) is not None:
        return WRONG_SCALE
    return WRONG_SIGN if sense.sign_wrong else ""


def plausible_findings(
    series: PackSeries, layout: PackLayout, same: Sequence[tuple[int, ...]] | None = None
) -> list[Finding]:
    """One caution each for a wrong sign or scale of the current, of all cells, and for twins.

    ``same`` are the :func:`twins`, where they are known already.
    """
    current = series.quantity("current")
    sense = current_sense(series.cells, current)
    findings = []
    cells_off = cell_scale_off(series.cells)
    address = layout.quantities.get("current")
    if cells_off is not None:
        findings.append(_cells_scaled(series, layout, cells_off))
    elif address is not None:
        off = sense.scale_off(layout.capacity_ah)
        figures = (
            Figure("correlation", sense.correlation),
            Figure("fall per ampere", sense.fall_ohm * 1e3, "mΩ"),
        )
        if sense.sign_wrong:
            findings.append(
                Finding(
                    "current-sign-wrong",
                    Weight.CAUTION,
                    place(address),
                    "The cells rise when the current discharges them, as the plan reads it "
                    f"(correlation {sense.correlation:+.2f}): its sign is the other way round.",
                    "Charge is taken for discharge, so limits, energy and resistance are judged "
                    "the wrong way round.",
                    f"Set current_sign = {-layout.current_sign} in [pack] of the plan.",
                    figures,
                )
            )
        if off is not None:
            unit = " (as milliamperes read as amperes would)" if off == 1000.0 else ""
            factor = off if off > 1.0 else 1.0 / off
            times = "hundreds of" if layout.capacity_ah is None else f"about {factor:.0f}"
            findings.append(
                Finding(
                    "current-scale-wrong",
                    Weight.CAUTION,
                    place(address),
                    f"The cells fall by {plain(abs(sense.fall_ohm) * 1e3)} mΩ times the "
                    f"current: it reads {times} times too {'high' if off > 1.0 else 'low'}{unit}.",
                    "Every figure made with the current is wrong by as much.",
                    "Correct factor or unit of this signal in its definition.",
                    figures,
                )
            )
    for group in twins(series.cells) if same is None else same:
        findings.append(_twins(group, layout))
    return findings


def _cells_scaled(series: PackSeries, layout: PackLayout, off: float) -> Finding:
    first = next(i for i, t in enumerate(series.cells) if len(t))
    middle = float(nan_median(np.array([np.median(t.value) for t in series.cells if len(t)])))
    high = off > 1.0
    times = f"{off if high else 1.0 / off:.0f} times"
    unit = " (as millivolts read as volts would)" if off == 1000.0 else ""
    return Finding(
        "cell-scale-wrong",
        Weight.CAUTION,
        place(layout.cells[first].address),
        f"The median cell reads {plain(middle)} V: all cells read {times} too "
        f"{'high' if high else 'low'}{unit}.",
        "No cell can be judged by such readings.",
        "Correct factor or unit of the cell voltages in their definition.",
        (Figure("median cell", middle, "V"), Figure("factor", off)),
    )


def _twins(group: tuple[int, ...], layout: PackLayout) -> Finding:
    first = layout.cells[group[0]]
    names = listed([cell_label(layout.cells[i]) for i in group])
    return Finding(
        "cells-same-reading",
        Weight.CAUTION,
        place(first.address),
        f"The same reading stands under {len(group)} names: {names} keep one difference, change "
        "for change.",
        "Two cells never move alike to the last bit; at least one of them is not measured.",
        "Check the definition's bits for these signals, and how the monitor is wired and set up.",
        (Figure("cells", len(group)),),
    )
