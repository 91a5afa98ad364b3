"""A figure over the years: a straight line with its slope and what is not known of it.

Values are put together in groups that follow each other, each value counting by its own
uncertainty; what the groups scatter beyond that is put to the uncertainty of each (the estimate of
moments of R. DerSimonian and N. Laird, "Meta-analysis in clinical trials", Controlled Clinical
Trials 7 (1986), for a line in place of a mean; from memory). The interval is Student's, with the
groups' degrees of freedom.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

YEAR_NS = 365.25 * 86_400e9
GROUPS = 60
"""Most groups; fewer values than this are taken one by one."""
FEWEST = 4
"""Values below which no line is told."""
LEAST_YEARS = 14.0 / 365.25
"""A shorter span tells no slope of years."""


@dataclass(frozen=True, eq=False)
class Trend:
    """Lines of m figures: value at the middle and slope [1/year], with standard uncertainties.

    Shapes ``(m,)``, NaN where a figure is known too seldom. ``factor`` makes an uncertainty the
    half width of the interval that holds in 95 of 100 cases; ``count`` are the values used.
    """

    middle_ns: float
    years: float
    middle: F64
    slope: F64
    uncertainty: F64
    factor: F64
    count: I64

    @property
    def half_width(self) -> F64:
        """Half the width of each slope's interval (95 %) [1/year]."""
        return self.uncertainty * self.factor

    def at(self, time_ns: I64) -> F64:
        """The lines at some times: (len(time_ns), m)."""
        years = (np.asarray(time_ns, np.float64) - self.middle_ns) / YEAR_NS
        return np.asarray(self.middle + years[:, None] * self.slope, np.float64)


def fit_trend(time_ns: I64, value: F64, uncertainty: F64) -> Trend:
    """Lines through ``value`` (n, m) with standard ``uncertainty`` (n, m) at ``time_ns`` (n,).

    NaN is a value that was not told. An uncertainty that is not known, or zero, counts as the
    middle one of its column.
    """
    from scipy.special import stdtrit

    if (np.diff(time_ns) < 0).any():
        order = np.argsort(time_ns, kind="stable")
        time_ns, value, uncertainty = time_ns[order], value[order], uncertainty[order]
    known = np.isfinite(value)
    error = _known(known, uncertainty)
    n, m = value.shape
    blank = np.full(m, np.nan)
    if n == 0:
        return Trend(np.nan, 0.0, blank, blank, blank, blank, np.zeros(m, np.int64))
    middle_ns = float((time_ns[0] + time_ns[-1]) / 2)
    years = np.asarray((time_ns - middle_ns) / YEAR_NS, np.float64)
    weight = 1.0 / error**2
    told = known.sum(axis=0)
    if not known.all():
        value, weight = np.where(known, value, 0.0), np.where(known, weight, 0.0)
    x, y, w = _grouped(years, value, weight)
    count = (w > 0).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        first = _line(x, y, w)
        own = np.where(w > 0, 1.0 / w, np.inf)
        extra = _excess(x, y, w, first, count)
        full = np.where(w > 0, 1.0 / (own + extra), 0.0)
        middle, slope, error_of = _line(x, y, full)
    span = (time_ns[-1] - time_ns[0]) / YEAR_NS
    fine = (count >= FEWEST) & (span >= LEAST_YEARS) & np.isfinite(slope)
    factor = stdtrit(np.maximum(count - 2, 1), 0.975)
    return Trend(
        middle_ns,
        float(span),
        np.where(fine, middle, np.nan),
        np.where(fine, slope, np.nan),
        np.where(fine, error_of, np.nan),
        np.where(fine, factor, np.nan),
        told,
    )


def _known(known: npt.NDArray[np.bool_], uncertainty: F64) -> F64:
    """Uncertainties with the column's middle one where none is known; 1 where none is at all.

    ``known`` says which values are there.
    """
    good = known & (uncertainty > 0) & (uncertainty < np.inf)
    if good.all():
        return uncertainty
    kept = np.where(good, uncertainty, np.nan)
    some = good.any(axis=0)
    middle = np.ones(known.shape[1])
    if some.any():
        middle[some] = np.nanmedian(kept[:, some], axis=0)
    return np.where(good, uncertainty, middle)


def _grouped(years: F64, value: F64, weight: F64) -> tuple[F64, F64, F64]:
    """Weighted means of times and values of rows that follow each other: at most ``GROUPS``."""
    n = len(years)
    if n <= GROUPS:
        return np.broadcast_to(years[:, None], value.shape), value, weight
    starts = np.unique(np.linspace(0, n, GROUPS, endpoint=False).astype(np.int64))
    total = np.add.reduceat(weight, starts, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.add.reduceat(weight * years[:, None], starts, axis=0) / total
        y = np.add.reduceat(weight * value, starts, axis=0) / total
    return np.nan_to_num(x), np.nan_to_num(y), total


def _line(x: F64, y: F64, w: F64) -> tuple[F64, F64, F64]:
    """Value at x = 0, slope and its standard uncertainty of weighted lines, each column its own."""
    total = w.sum(axis=0)
    centre = (w * x).sum(axis=0) / total
    away = x - centre
    spread = (w * away**2).sum(axis=0)
    slope = (w * away * y).sum(axis=0) / spread
    mean = (w * y).sum(axis=0) / total
    return mean - slope * centre, slope, 1.0 / np.sqrt(spread)


def _excess(x: F64, y: F64, w: F64, line: tuple[F64, F64, F64], count: I64) -> F64:
    """Variance beyond the stated one: what makes the sum of squares what chance would give."""
    middle, slope, _ = line
    rest = (w * (y - middle - slope * x) ** 2).sum(axis=0)
    total = w.sum(axis=0)
    away = x - (w * x).sum(axis=0) / total
    spread = (w * away**2).sum(axis=0)
    taken = (w**2).sum(axis=0) / total + (w**2 * away**2).sum(axis=0) / spread
    return np.asarray(np.maximum(0.0, (rest - (count - 2)) / (total - taken)), np.float64)
