"""Resistance outside the cells' taps: fuse, contactors, cables and joints between them.

What the pack's voltage is short of the sum of its cells, D, rises with the current (Kirchhoff's
voltage law)::

    D = a + g (S − mean S) − R I

S is the sum of the cells, each told as late as its frame is; the pack's own sensor is late too, by
what makes D follow best. g is the sensor's gain error, a priori ``GAIN``. Rows near changes of the
current are left out. The uncertainty is the jackknife over ``PARTS`` parts of the capture, never
below ``FLOOR_OHM``; the gain of the current's sensor is added. The factor that widens it to 95 % is
Student's for the effective degrees of freedom of Welch and Satterthwaite (JCGM 100:2008, G.4).

The figure holds for everything between the points where the pack's voltage is taken. It is judged
against what the plan states (``joints_mohm``); without that it is told and not judged. A hundredth
of 5 mΩ is 0.05 mΩ, so the more is stated the more must be added before it is named: how much, is
told (``would_name_ohm``). Between two captures of one current sensor its gain falls out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from busplan.answers import UNKNOWN, Answer, Interval
from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64, Mask
from busplan.pack.electrical.kirchhoff import pack_scale_off
from busplan.pack.labels import how_late, place
from busplan.pack.resistance import Resistance
from busplan.pack.section import Section, not_shown
from busplan.pack.series import PackSeries, Trace
from busplan.plan.vehicle import PackLayout

GAIN = 0.005
FLOOR_OHM = 0.06e-3
"""From made packs whose cells' delays are known to some 5 ms."""
CURRENT_GAIN = 0.01
"""Standard uncertainty of the current's gain (common practice, no source)."""
SURE_TO_BE_NAMED = 1.645
"""So many standard deviations above the bound an excess is named 95 times in a hundred."""
PARTS = 20
FEWEST_PARTS = 8
LEAST_RANGE_A = 60.0
AWAY_S = 0.4
STEADY_SHARE = 0.03
"""A row is used while the current, ``AWAY_S`` either way, stays within this part of its range."""
GRID_S = 0.05
MOST_POINTS = 400_000
FEWEST_ROWS = 200
EARLIEST_S, LATEST_S = -0.3, 1.2
MATTERS_OHM = 0.3e-3
"""So much above what is stated counts (common practice, no source): 3 W at 100 A."""
NEAR = (
    "too near to tell: drive longer, with firmer changes of load, or compare with an older "
    "capture (--before): there the current sensor's gain falls out"
)


@dataclass(frozen=True, slots=True)
class Joints:
    """The resistance outside the taps [Ω] with its standard uncertainty; NaN when not shown.

    ``own`` is the part of it that another capture by the same current sensor does not share.
    ``factor`` widens it to 95 % (Student). ``delay_s`` is how late the pack's voltage is told,
    ``range_a`` the span of the current. ``reference_ohm`` is what the plan states. ``missing`` is
    what the capture lacks, "" when it lacks nothing.
    """

    value: float
    uncertainty: float
    own: float
    factor: float
    delay_s: float
    range_a: float
    reference_ohm: float | None = None
    missing: str = ""

    @property
    def interval(self) -> Interval:
        """Where it lies [Ω], 95 %."""
        if self.missing:
            return UNKNOWN
        half = self.factor * self.uncertainty
        return Interval(self.value - half, self.value + half)

    @property
    def answer(self) -> Answer:
        """Bad when surely above what is stated by what matters, good when surely not."""
        if self.missing or self.reference_ohm is None:
            return Answer.NOT_SHOWN
        most = self.reference_ohm + MATTERS_OHM
        if self.interval.low > most:
            return Answer.BAD
        return Answer.GOOD if self.interval.high < most else Answer.NOT_SHOWN

    @property
    def would_name_ohm(self) -> float | None:
        """By how much it must exceed what is stated to be named with 95 % chance [Ω]."""
        if self.missing or self.reference_ohm is None:
            return None
        more = MATTERS_OHM
        for _ in range(3):  # the gain's part grows with what is added, by a hundredth of it
            doubt = np.hypot(self.own, CURRENT_GAIN * (self.reference_ohm + more))
            more = MATTERS_OHM + (self.factor + SURE_TO_BE_NAMED) * float(doubt)
        return more

    def lost_w(self, amps: float) -> float:
        """What it turns to heat at a current [W]."""
        return self.value * amps**2


def _nothing(missing: str, range_a: float = 0.0) -> Joints:
    nan = float("nan")
    return Joints(
        value=nan,
        uncertainty=nan,
        own=nan,
        factor=1.0,
        delay_s=nan,
        range_a=range_a,
        missing=missing,
    )


def find_joints(
    series: PackSeries, layout: PackLayout, resistance: Resistance | None
) -> Joints | None:
    """The resistance outside the taps; ``None`` when the plan maps no pack voltage."""
    if "voltage" not in layout.quantities:
        return None
    pack, current = series.quantity("voltage"), series.quantity("current")
    if pack is None or current is None or len(current) < 3:
        return _nothing("pack voltage or current did not come")
    if pack_scale_off(series) is not None:
        return _nothing("the scale of the pack voltage cannot be right")
    if resistance is None or not resistance.delays:
        why = "" if resistance is None else resistance.missing
        return _nothing(why or "the cells' delays are not known")
    delay = np.full(len(series.cells), np.nan)
    for frame in resistance.delays:
        delay[list(frame.cells)] = frame.delay_s
    unknown = int(np.isnan(delay).sum())
    if unknown or not len(delay):
        return _nothing(f"{unknown} of {len(delay)} cells not heard well enough")
    span = float(np.ptp(current.value))
    if span < LEAST_RANGE_A:
        return _nothing(f"current range under {LEAST_RANGE_A:.0f} A (it was {span:.1f} A)", span)
    found = fit_joints(series.cells, delay, pack, current)
    stated = layout.joints_mohm
    return replace(found, reference_ohm=None if stated is None else stated / 1e3)


def fit_joints(cells: tuple[Trace, ...], cell_delay_s: F64, pack: Trace, current: Trace) -> Joints:
    """Fit D by the sum of the cells and the current, positive when it discharges."""
    from busplan.pack.joint_kernels import joint_moments

    span = float(np.ptp(current.value))
    start = max(float(t.time_s[0]) for t in (*cells, pack, current)) + LATEST_S
    stop = min(float(t.time_s[-1]) for t in (*cells, pack, current)) - LATEST_S
    if stop - start < 10.0:
        return _nothing("cells and pack voltage were heard together too shortly", span)
    step = max(GRID_S, (stop - start) / MOST_POINTS)
    grid = np.arange(start - LATEST_S, stop + LATEST_S, step)
    total = np.zeros(len(grid))
    for trace, late in zip(cells, cell_delay_s, strict=True):
        total += np.interp(grid + late, trace.time_s, trace.value)
    amps = np.interp(grid, current.time_s, current.value)
    steady = _steady(amps, step, STEADY_SHARE * span)
    rows = (pack.time_s > start) & (pack.time_s < stop)
    time, volts = pack.time_s[rows], pack.value[rows]
    on_grid = (float(grid[0]), step, total, amps)
    whole = np.zeros(len(time), np.int64)

    def left(delay: float) -> float:
        return _solve(joint_moments(time, volts, whole, 1, delay, *on_grid)[0])[1]

    delays = np.arange(EARLIEST_S, LATEST_S, 0.05)
    best = delays[int(np.argmin([left(d) for d in delays]))]
    fine = best + 0.01 * np.arange(-5, 6)
    late = float(fine[int(np.argmin([left(d) for d in fine]))])
    use = np.interp(time - late, grid, steady.astype(np.float64)) == 1.0
    if use.sum() < FEWEST_ROWS:
        return _nothing("the current is never steady for a second", span)
    time, volts = time[use], volts[use]
    edges = np.linspace(start, stop, PARTS + 1)
    part = np.clip(np.searchsorted(edges, time) - 1, 0, PARTS - 1)
    flowing = np.interp(time - late, grid, amps)
    parts = [p for p in np.unique(part) if np.ptp(flowing[part == p]) > 0.1 * span]
    if len(parts) < FEWEST_PARTS:
        return _nothing(
            f"the current changes in {len(parts)} of {PARTS} parts of the capture only", span
        )
    each = joint_moments(time, volts, part, PARTS, late, *on_grid)
    every = each.sum(axis=0)
    solution, _ = _solve(every)
    without = np.array([_solve(every - each[p])[0][2] for p in parts])
    return _told(solution, without, late, span)


def _told(solution: F64, without: F64, late: float, span: float) -> Joints:
    from scipy.special import stdtrit

    count = len(without)
    spread = float(np.sqrt((count - 1) / count * np.square(without - without.mean()).sum()))
    value = float(solution[2])
    own = float(np.hypot(spread, FLOOR_OHM))
    whole = float(np.hypot(own, CURRENT_GAIN * value))
    freedom = (count - 1) * (whole / max(spread, 1e-9)) ** 4
    return Joints(value, whole, own, float(stdtrit(freedom, 0.975)), late, span)


def _steady(amps: F64, step: float, most: float) -> Mask:
    """Where the current stays within ``most`` for ``AWAY_S`` either way."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    width = 2 * max(round(AWAY_S / step), 1) + 1
    moved = maximum_filter1d(amps, width) - minimum_filter1d(amps, width)
    return np.asarray(moved <= most, np.bool_)


def _solve(sums: F64) -> tuple[F64, float]:
    """Least squares with the gain's prior as one more row; and the square sum left.

    ``sums`` (4, 4) are those of :func:`busplan.pack.joint_kernels.joint_moments`.
    """
    square, product, left = sums[:3, :3].copy(), sums[:3, 3], float(sums[3, 3])
    free = np.linalg.solve(square + 1e-9 * np.eye(3), product)
    variance = max((left - float(product @ free)) / max(sums[0, 0] - 3, 1), 1e-12)
    square[1, 1] += variance / GAIN**2
    solution = np.linalg.solve(square + 1e-9 * np.eye(3), product)
    return np.asarray(solution, np.float64), left - float(product @ solution)


def joint_findings(joints: Joints | None, layout: PackLayout) -> list[Finding]:
    """A caution when the resistance is surely above what the plan states."""
    if joints is None or joints.answer is not Answer.BAD or joints.reference_ohm is None:
        return []
    ends = joints.interval
    return [
        Finding(
            "joint-resistance-high",
            Weight.CAUTION,
            place(layout.quantities["voltage"]),
            f"Between the points where the pack's voltage is taken, outside the cells' taps, lie "
            f"{_words(joints)}; the plan states {joints.reference_ohm * 1e3:g} mΩ. At 200 A "
            f"{joints.lost_w(200.0):.0f} W turn to heat there.",
            "A loose or corroded joint, a worn contactor or fuse heats until it burns.",
            "Have licensed people compare the drops over fuse, contactors and joints under load.",
            (
                Figure("resistance", joints.value * 1e3, "mΩ"),
                Figure("resistance from", ends.low * 1e3, "mΩ"),
                Figure("resistance to", ends.high * 1e3, "mΩ"),
                Figure("stated", joints.reference_ohm * 1e3, "mΩ"),
            ),
        )
    ]


def _words(joints: Joints) -> str:
    ends = joints.interval
    return f"{joints.value * 1e3:.2f} mΩ ({ends.low * 1e3:.2f} to {ends.high * 1e3:.2f})"


def joints_section(joints: Joints | None) -> Section | None:
    """The topic, where the capture shows a figure."""
    name = "joints"
    if joints is None or joints.missing:
        return None
    text = (
        f"{_words(joints)} outside the cells' taps, the pack's voltage told "
        f"{how_late(joints.delay_s, joints.delay_s)}"
    )
    if joints.reference_ohm is None:
        return not_shown(
            name, text, "state joints_mohm in [pack], from the commissioning, to judge it by"
        )
    text = f"{text}; the plan states {joints.reference_ohm * 1e3:g} mΩ"
    least = joints.would_name_ohm
    if least is not None and joints.answer is not Answer.BAD:
        text = f"{text}, and {least * 1e3:.1f} mΩ more would have been named"
    open_ = joints.answer is Answer.NOT_SHOWN
    return Section(name, joints.answer, text, NEAR if open_ else "")
