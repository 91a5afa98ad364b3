"""The resistances told: the chord at 1 s and 10 s of every fitted cell, with what it is worth.

The uncertainty is what posterior and jackknife say, with floors for what the model leaves out and
no part of one drive tells; they come from made packs and cells solved by others, of a drive with
steps of 2 to 18 s. To the absolute figure the gain of the current's sensor is added.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.answers import UNKNOWN, Interval
from busplan.frames.columns import F64
from busplan.pack.resistance_drive import WANTED_BLOCKS, Drive
from busplan.pack.resistance_fit import CellFit
from busplan.pack.statistics import nan_median
from busplan.wording import percent

SCALES_S = (1.0, 10.0)
RELATIVE_FLOORS = (0.0015, 0.0025)
"""Of the ratio to the median cell, at each of ``SCALES_S``; from made packs and solved cells."""
ABSOLUTE_FLOORS = (0.015, 0.030)
"""Of the resistance, and of a ratio's distance from 1: an extra resistance in series is right, the
cell it is held against is not."""
OTHER_TEMPERATURE = (0.06, 0.12)
"""Of a ratio's distance from 1 where the module is ``AWAY_K`` off the others: another mixture."""
AWAY_K = 2.0
CURRENT_GAIN = 0.01
"""Standard uncertainty of the current sensor's gain (common practice, no source)."""
WORST = 0.10
"""A median cell known to less than this part (95 %) is not told."""
QUICK_S = 0.1
UNRELATED = "the cells do not follow the current"
UNCERTAIN = "too uncertain"
FILTERED = 0.5
"""When less than this part of R(1 s) acts within ``QUICK_S``, the monitor filters."""


@dataclass(frozen=True, eq=False)
class AtScale:
    """Resistances so long after a step: arrays (cells,), NaN where nothing can be said.

    ``value`` [Ω] and ``relative`` to the median cell, each with its standard ``…uncertainty``;
    ``factor`` widens it to 95 % (Student). ``missing`` says why there is none, "" when there is.
    """

    after_s: float
    value: F64
    uncertainty: F64
    relative: F64
    relative_uncertainty: F64
    factor: float
    missing: str = ""

    @property
    def shown(self) -> bool:
        """Whether there are figures."""
        return not self.missing

    def interval(self, cell: int) -> Interval:
        """Where the resistance lies [Ω], 95 %."""
        return _around(self.value[cell], self.factor * self.uncertainty[cell])

    def relative_interval(self, cell: int) -> Interval:
        """Where the ratio to the median cell lies, 95 %."""
        return _around(self.relative[cell], self.factor * self.relative_uncertainty[cell])


def _around(value: float, half: float) -> Interval:
    known = bool(np.isfinite(value) and np.isfinite(half))
    return Interval(float(value - half), float(value + half)) if known else UNKNOWN


def at_scales(
    fitted: tuple[Drive, CellFit] | None,
    at_a: float,
    temperature_c: F64,
    step_v: float,
    gain: float,
    missing: str,
) -> tuple[AtScale, ...]:
    """The figures at each of ``SCALES_S``, for a step to ``at_a`` [A]; none where ``missing``."""
    unknown = np.full(len(temperature_c), np.nan)
    if fitted is None:
        return tuple(AtScale(s, *(unknown,) * 4, 1.0, missing) for s in SCALES_S)
    drive, fit = fitted
    quick = float(drive.chord(QUICK_S, at_a) @ fit.middle)
    result = []
    with np.errstate(invalid="ignore"):
        away = np.abs(temperature_c - nan_median(temperature_c)) > AWAY_K
    for index, after in enumerate(SCALES_S):
        mixture = np.where(away, OTHER_TEMPERATURE[index], ABSOLUTE_FLOORS[index])
        floor = float(np.hypot(ABSOLUTE_FLOORS[index], gain))
        scale = _at_scale(drive, fit, after, at_a, (RELATIVE_FLOORS[index], mixture, floor))
        middle = float(nan_median(scale.value))
        half = scale.factor * float(nan_median(scale.relative_uncertainty))
        why = ""
        if not middle > 0.0:
            why = UNRELATED
        elif after <= 1.0 and quick < FILTERED * middle:
            why = "monitor filter over 0.2 s"
        elif after > 1.0 and (drive.groups < WANTED_BLOCKS or drive.block_s < 2.0 * after):
            why = f"too few changes of current in {drive.groups * drive.block_s:.0f} s"
        elif half > WORST:
            why = (
                f"{UNCERTAIN}: the middle cell's interval against its peers is "
                f"{percent(2 * half, 0)} wide (95 %), steps of {step_v * 1e3:g} mV"
            )
        if why:
            scale = AtScale(after, *(unknown,) * 4, scale.factor, why)
        result.append(scale)
    return tuple(result)


def _at_scale(
    drive: Drive, fit: CellFit, after_s: float, at_a: float, floors: tuple[float, F64, float]
) -> AtScale:
    from scipy.special import stdtrit

    relative_floor, mixture, floor = floors
    chord = drive.chord(after_s, at_a)
    value = fit.coefficients @ chord
    left_out = fit.left_out @ chord
    posterior = np.sqrt(np.einsum("i,cij,j->c", chord, fit.covariance, chord))
    middle = float(nan_median(value))
    ratios = left_out / nan_median(left_out, axis=1)[:, None]
    own = np.maximum(posterior, _jackknife(left_out))
    relative = np.maximum(posterior / middle, _jackknife(ratios))
    beside = np.hypot(relative_floor, mixture * (value / middle - 1.0))
    return AtScale(
        after_s,
        value,
        np.hypot(own, floor * value),
        value / middle,
        np.hypot(relative, beside),
        float(stdtrit(max(len(left_out) - 1, 1), 0.975)),
    )


def _jackknife(left_out: F64) -> F64:
    """Standard uncertainty from figures (groups, cells) without one group each."""
    groups = len(left_out)
    about = left_out - left_out.mean(axis=0)
    return np.asarray(np.sqrt((groups - 1) / groups * np.square(about).sum(axis=0)), np.float64)
