"""Capacity and balance of each cell against its peers, from one charge or discharge.

Where the current is steady, each cell runs through the curve of its peers at its own pace and from
its own place: :mod:`busplan.pack.stretch`. Pace gives capacity, place gives the charge by which the
cell is ahead. For ``SETTLING_S`` after every leap of the current nothing is used: what still
settles looks like a stretch.

It is refused, never called good, where the window is under a quarter of the capacity, the voltage
step is coarser than 2 mV, the curve is flat (LFP), or a cell's curve has another shape than its
peers' (lithium lost, another kind of cell). The model's own error is stated as a part of the
deviation: ``SHAPE_ERROR``, found on directly solved cells of two kinds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from busplan.answers import UNKNOWN, Answer, Interval
from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64, I64, Mask
from busplan.pack.labels import cell_label, place, sentence
from busplan.pack.series import PackSeries
from busplan.pack.statistics import deviates, nan_median
from busplan.plan.vehicle import PackLayout
from busplan.wording import percent, plain

PARTS = 100
SETTLING_S = 900.0
LEAP_SHARE, LEAP_OVER_S = 0.15, 60.0
"""A change of the current by this part of the greatest, within this time, is a leap."""
FLOWING_SHARE = 0.02
LEAST_WINDOW, GOOD_WINDOW = 0.25, 0.35
"""Parts of the capacity: below the first nothing is told, below the second with less certainty."""
COARSEST_STEP_V = 0.002
FLATTEST_V = 0.25
"""Least median slope [V over the whole capacity] at which pace and place show."""
MOST_MISFIT, FAR = 2.5, 0.15
"""Squares of what the cells' shapes differ by that a cell may be off its peers' curve, and a
deviation beyond which stretching alone bends the curve: there it may be off by more (found on
directly solved cells of one kind, up to 1.9 at 10 % and 3.9 at 20 %)."""
PRIOR_OHM_AH = 0.02
"""Standard deviation of resistances over the middle one, times capacity: 0.2 mΩ of 100 Ah."""
SHAPE_ERROR, SHAPE_ERROR_SHORT = 0.03, 0.12
LEAST_ERROR = 0.0005
FEWEST_CELLS = 6
FEWEST_CHARGE_STEPS = 10.0
"""Per cent of state of charge that must pass before it tells the pack's capacity."""
WEAK = 0.97
"""A cell whose capacity surely lies below this part of the middle one is weak ..."""
BATCH_SCATTER = 0.007
"""... when it lies outside the scatter of its peers too; cells of one batch scatter by so much."""
OUTSIDE = 2.0
"""(so many times it, with its own uncertainty.)"""
SURE = 0.95
"""A cell is good when surely not weaker than this (all: common practice, no source)."""
TWO_SIDED = 1.96

END_TO_END = "charge from below 25 % to full at a steady current, recorded from end to end"


@dataclass(frozen=True, eq=False)
class Capacity:
    """Capacity and balance of each cell against the middle one; arrays (m,), NaN where refused.

    ``relative`` is the capacity over that of the middle cell, ``ahead_ah`` the charge [Ah] by which
    a cell is ahead at the middle of the window, each with its standard uncertainty. ``refused``
    says why a cell has none; ``missing`` why no cell has. ``window`` is the part of the capacity
    that was used, ``window_ah`` the same in Ah, ``amps`` the median current there.
    """

    relative: F64
    uncertainty: F64
    ahead_ah: F64
    ahead_uncertainty_ah: F64
    misfit: F64
    refused: tuple[str, ...]
    missing: str = ""
    window: float = float("nan")
    window_ah: float = float("nan")
    amps: float = float("nan")

    @property
    def told(self) -> Mask:
        """Cells whose capacity is told."""
        return np.isfinite(self.relative)

    @property
    def intervals(self) -> tuple[Interval, ...]:
        """Where each relative capacity lies (95 %)."""
        wide = TWO_SIDED * self.uncertainty
        return tuple(
            map(Interval, (self.relative - wide).tolist(), (self.relative + wide).tolist())
        )

    @property
    def balance_intervals(self) -> tuple[Interval, ...]:
        """Where each charge ahead lies [Ah] (95 %)."""
        wide = TWO_SIDED * self.ahead_uncertainty_ah
        return tuple(
            map(Interval, (self.ahead_ah - wide).tolist(), (self.ahead_ah + wide).tolist())
        )

    @cached_property
    def weak(self) -> I64:
        """Cells that are surely weak and outside the scatter of their peers."""
        if not self.told.any():
            return np.empty(0, np.int64)
        far = deviates(self.relative, self.uncertainty, BATCH_SCATTER)
        with np.errstate(invalid="ignore"):
            sure = self.relative + TWO_SIDED * self.uncertainty < WEAK
            return np.flatnonzero(sure & (far < -OUTSIDE))

    @property
    def answers(self) -> tuple[Answer, ...]:
        """Good only where the interval lies above ``SURE``; refused cells are not shown."""
        bad = set(self.weak.tolist())
        return tuple(
            Answer.BAD
            if i in bad
            else Answer.GOOD
            if interval.known and interval.low > SURE and interval.high >= WEAK
            else Answer.NOT_SHOWN
            for i, interval in enumerate(self.intervals)
        )

    @property
    def to_balance_ah(self) -> Interval:
        """Charge between the fullest and the emptiest cell [Ah], 95 %."""
        known = np.flatnonzero(np.isfinite(self.ahead_ah))
        if len(known) < 2:
            return UNKNOWN
        ahead = self.ahead_ah[known]
        ends = known[[int(np.argmax(ahead)), int(np.argmin(ahead))]]
        between = float(np.ptp(ahead))
        wide = TWO_SIDED * float(np.hypot(*self.ahead_uncertainty_ah[ends]))
        return Interval(max(between - wide, 0.0), between + wide)

    def hours_to_balance(self, amps: float) -> Interval:
        """Time [h] to take that charge from the fullest cell at ``amps`` without a break, 95 %."""
        charge = self.to_balance_ah
        return Interval(charge.low / amps, charge.high / amps)


@dataclass(frozen=True, eq=False)
class _Parts:
    """Means over parts of equal charge: ``charge`` (n,) [Ah, upwards], ``volts`` (n, m)."""

    charge: F64
    volts: F64
    amps: F64


def fit_capacity(
    series: PackSeries,
    faulty: frozenset[tuple[str, int]],
    layout: PackLayout,
    step_v: float,
    doubt: str = "",
) -> Capacity | None:
    """Capacities from one capture; ``None`` when no current was heard or nothing flowed.

    ``doubt`` says why cells and current cannot be judged together, "" when nothing does.
    """
    sampled = series.voltage
    time = sampled.time_s
    amps = series.quantity_at("current", time)
    if amps is None or len(time) < PARTS or float(np.nanmax(np.abs(amps), initial=0.0)) < 1.0:
        return None
    amps = np.nan_to_num(amps)
    count = sampled.value.shape[1]
    if doubt:
        return _refused(count, f"{doubt}: mend that, then charge again from end to end")
    full = full_ah(series, layout)
    flowing = steady_rows(time, amps)
    if flowing.sum() < PARTS:
        return _refused(count, f"no current was steady for {SETTLING_S / 60:.0f} minutes")
    # Upwards towards full, over the whole capture, so that what was left out leaves a gap.
    charge = np.cumsum(-amps * np.diff(time, prepend=time[0])) / 3600.0
    window = float(np.ptp(charge[flowing]))
    volts = sampled.value.copy()
    volts[:, [i for kind, i in faulty if kind == "cell"]] = np.nan
    why = _why_refused(window, full, step_v, layout)
    if why or full is None:
        return _refused(count, why, window / full if full else float("nan"), window)
    parts = _parts(charge[flowing], volts[flowing], amps[flowing])
    known = int(np.isfinite(parts.volts).all(axis=0).sum())
    if len(parts.charge) < PARTS // 2 or known < FEWEST_CELLS:
        return _refused(count, f"fewer than {FEWEST_CELLS} cells were heard throughout")
    return _judged(parts, full, window)


def _why_refused(window: float, full: float | None, step_v: float, layout: PackLayout) -> str:
    """Why no cell can be told, before its curve is looked at; "" when nothing forbids it."""
    if step_v > COARSEST_STEP_V * 1.001:
        return (
            f"cell voltages come in steps of {plain(step_v * 1e3, 3)} mV, too coarse for a "
            "capacity: discharge the pack from full to empty at a steady current and count the Ah"
        )
    if full is None:
        return (
            "how much of the capacity this capture covers is not known: state capacity_ah in "
            "[pack] of the plan, or map the state of charge"
        )
    if layout.chemistry.upper().startswith(("LFP", "LTO", "LMFP")):
        return (
            f"the curve of {layout.chemistry} cells is too flat: discharge the pack from full to "
            "empty at a steady current and count the Ah"
        )
    if window < LEAST_WINDOW * full:
        return (
            f"steady current over {percent(window / full, 0)} of the capacity, "
            f"{percent(LEAST_WINDOW, 0)} are needed: {END_TO_END}"
        )
    return ""


def full_ah(series: PackSeries, layout: PackLayout) -> float | None:
    """The pack's capacity [Ah]: the plan's word, else counted charge over state of charge."""
    if layout.capacity_ah is not None:
        return layout.capacity_ah
    told, current = series.quantity("state_of_charge"), series.quantity("current")
    if told is None or current is None or len(told) < 2 or len(current) < 2:
        return None
    passed = np.diff(current.time_s)
    counted = np.concatenate(
        ([0.0], np.cumsum((current.value[1:] + current.value[:-1]) / 2 * passed) / 3600.0)
    )
    low, high = int(np.argmin(told.value)), int(np.argmax(told.value))
    percent = float(told.value[high] - told.value[low])
    moved = float(np.diff(np.interp(told.time_s[[low, high]], current.time_s, -counted))[0])
    if percent < FEWEST_CHARGE_STEPS or moved <= 0.0:
        return None
    return moved / percent * 100.0


def steady_rows(time_s: F64, amps: F64) -> Mask:
    """Rows (n,) with a current of the main direction, away from every leap of it.

    ``SETTLING_S`` after a leap, and ``LEAP_OVER_S`` before it, where it may have begun.
    """
    most = float(np.abs(amps).max())
    way = np.sign(amps[np.abs(amps) > FLOWING_SHARE * most].sum())
    flowing = way * amps > FLOWING_SHARE * most
    earlier = np.searchsorted(time_s, time_s - LEAP_OVER_S, side="right") - 1
    change = amps - np.where(earlier >= 0, amps[np.maximum(earlier, 0)], 0.0)
    leaps = np.flatnonzero(np.abs(change) > LEAP_SHARE * most)
    if not len(leaps):
        return np.asarray(flowing, np.bool_)
    last = np.searchsorted(time_s[leaps], time_s - SETTLING_S)
    following = np.searchsorted(time_s[leaps], time_s + LEAP_OVER_S, side="right")
    return np.asarray(flowing & (last == following), np.bool_)


def _parts(charge: F64, volts: F64, amps: F64) -> _Parts:
    """Means over parts of equal charge.

    A cell's mean is that of its distance from the middle cell, so that a short silence inside a
    part does not shift it; it needs half of the part.
    """
    edges = np.linspace(float(charge.min()), float(charge.max()), PARTS + 1)
    part = np.clip(np.searchsorted(edges, charge, side="right") - 1, 0, PARTS - 1)
    middle = nan_median(volts, axis=1)
    heard = np.isfinite(middle)
    part, volts, middle = part[heard], volts[heard], middle[heard]
    count = np.bincount(part, minlength=PARTS)
    used = count > 0
    apart = volts - middle[:, None]
    known = np.isfinite(apart)
    own = np.zeros((PARTS, volts.shape[1]))
    total = np.zeros_like(own)
    np.add.at(own, part, known)
    np.add.at(total, part, np.where(known, apart, 0.0))
    mean = np.where(own >= np.maximum(count, 1)[:, None] / 2, total / np.maximum(own, 1), np.nan)
    level = np.bincount(part, middle, PARTS) / np.maximum(count, 1)
    flow = np.bincount(part, amps[heard], PARTS) / np.maximum(count, 1)
    place_ = (edges[:-1] + edges[1:]) / 2
    return _Parts(place_[used], (mean + level[:, None])[used], flow[used])


def _judged(parts: _Parts, full: float, window: float) -> Capacity:
    from busplan.pack.stretch import fit_stretch  # brings scipy

    share = window / full
    fit = fit_stretch(parts.charge, parts.volts, parts.amps, PRIOR_OHM_AH / full)
    count = parts.volts.shape[1]
    if fit.slope * full < FLATTEST_V:
        why = (
            f"the curve rises by only {fit.slope * full * 1e3:.0f} mV over the capacity here, too "
            "flat: discharge the pack from full to empty at a steady current and count the Ah"
        )
        return _refused(count, why, share, window)
    refused = []
    most = MOST_MISFIT * np.maximum(1.0, np.square((1.0 / fit.pace - 1.0) / FAR))
    for misfit, limit, shown in zip(fit.misfit, most, fit.share, strict=True):
        if not np.isfinite(misfit):
            refused.append("not heard throughout the window")
        elif misfit > limit:
            refused.append(f"its curve has another shape than its peers': {END_TO_END}")
        elif shown * share < LEAST_WINDOW:
            refused.append(f"too little of its curve was shown by peers: {END_TO_END}")
        else:
            refused.append("")
    told = np.array([not why for why in refused])
    relative = np.where(told, 1.0 / fit.pace, np.nan)
    own = fit.pace_error * np.square(relative)
    part = SHAPE_ERROR if share >= GOOD_WINDOW else SHAPE_ERROR_SHORT
    error = np.sqrt(np.square(own) + np.square(part * (1.0 - relative)) + LEAST_ERROR**2)
    return Capacity(
        relative=relative,
        uncertainty=error,
        ahead_ah=np.where(told, fit.shift, np.nan),
        ahead_uncertainty_ah=np.where(told, fit.shift_error, np.nan),
        misfit=fit.misfit,
        refused=tuple(refused),
        window=share,
        window_ah=window,
        amps=float(np.median(np.abs(parts.amps))),
    )


def _refused(
    count: int, why: str, window: float = float("nan"), window_ah: float = float("nan")
) -> Capacity:
    blank = np.full(count, np.nan)
    return Capacity(
        blank, blank, blank, blank, blank, (why,) * count, why, window=window, window_ah=window_ah
    )


def capacity_findings(capacity: Capacity, layout: PackLayout) -> list[Finding]:
    """A caution for each weak cell."""
    findings = []
    for index in capacity.weak:
        cell = layout.cells[index]
        interval = capacity.intervals[index]
        findings.append(
            Finding(
                "cell-capacity-low",
                Weight.CAUTION,
                place(cell.address),
                f"{sentence(cell_label(cell))} holds {percent(interval.low)} to "
                f"{percent(interval.high)} of the middle cell's capacity (95 %), by "
                f"{percent(capacity.window, 0)} of the charge.",
                "The cell of least capacity ends every charge and every discharge of the pack.",
                "Measure it again from end to end; then have licensed people replace the module.",
                (
                    Figure("capacity", float(capacity.relative[index]) * 100, "%"),
                    Figure("low", interval.low * 100, "%"),
                    Figure("high", interval.high * 100, "%"),
                    Figure("window", capacity.window * 100, "%"),
                ),
            )
        )
    return findings
