"""A figure over the years: a straight line with its slope and what is not known of it.

Values are put together in groups that follow each other, each value counting by its own
uncertainty; what the groups scatter beyond that is put to the uncertainty of each (the estimate of
moments of R. DerSimonian and N. Laird, "Meta-analysis in clinical trials", Controlled Clinical
Trials 7 (1986), for a line in place of a mean; from memory). The interval is Student's, with the
groups' degrees of freedom.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import F64, I64

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


@dataclass(frozen=True, eq=False)
class Groups:
    """Values put together: times [years from the middle], values and weights, each (g, m)."""

    middle_ns: float
    years: float
    x: F64
    y: F64
    w: F64
    told: I64


def fit_trend(time_ns: I64, value: F64, uncertainty: F64) -> Trend:
    """Lines through ``value`` (n, m) with standard ``uncertainty`` (n, m) at ``time_ns`` (n,).

    NaN is a value that was not told. An uncertainty that is not known, or zero, counts as the
    middle one of its column.
    """
    return fit_groups([group(time_ns, value, uncertainty)])[0]


def group(time_ns: I64, value: F64, uncertainty: F64) -> Groups:
    """The first half of :func:`fit_trend`, whose cost is that of reading every value."""
    n, m = value.shape
    if n == 0:
        none = np.empty((0, m))
        return Groups(np.nan, 0.0, none, none, none, np.zeros(m, np.int64))
    if (np.diff(time_ns) < 0).any():
        order = np.argsort(time_ns, kind="stable")
        time_ns, value, uncertainty = time_ns[order], value[order], uncertainty[order]
    middle_ns = float((time_ns[0] + time_ns[-1]) / 2)
    years = np.asarray((time_ns - middle_ns) / YEAR_NS, np.float64)
    span = float((time_ns[-1] - time_ns[0]) / YEAR_NS)
    if all_finite(value):
        told = np.full(m, n, np.int64)
        weight = _weights(_known(None, uncertainty))
    else:
        known = np.isfinite(value)
        told = known.sum(axis=0)
        weight = np.where(known, _weights(_known(known, uncertainty)), 0.0)
        value = np.where(known, value, 0.0)
    return Groups(middle_ns, span, *_grouped(years, value, weight), told)


def fit_groups(given: Sequence[Groups]) -> list[Trend]:
    """The lines through each of them; those of as many figures are fitted at once."""
    from scipy.special import stdtrit

    found: dict[int, Trend] = {}
    for m in {len(g.told) for g in given}:
        mine = [i for i, g in enumerate(given) if len(g.told) == m]
        x, y, w = (_padded([getattr(given[i], n) for i in mine], m) for n in ("x", "y", "w"))
        count = (w > 0).sum(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            first = _line(x, y, w)
            own = np.where(w > 0, 1.0 / w, np.inf)
            extra = _excess(x, y, w, first, count)
            full = np.where(w > 0, 1.0 / (own + extra[:, None]), 0.0)
            lines = _line(x, y, full)
        span = np.array([given[i].years for i in mine])[:, None]
        fine = (count >= FEWEST) & (span >= LEAST_YEARS) & np.isfinite(lines[1])
        factor = stdtrit(np.maximum(count - 2, 1), 0.975)
        middle, slope, error, factor = (np.where(fine, each, np.nan) for each in (*lines, factor))
        for at, i in enumerate(mine):
            one = given[i]
            found[i] = Trend(
                middle_ns=one.middle_ns,
                years=one.years,
                middle=middle[at],
                slope=slope[at],
                uncertainty=error[at],
                factor=factor[at],
                count=one.told,
            )
    return [found[i] for i in range(len(given))]


def _padded(parts: Sequence[F64], m: int) -> F64:
    """Arrays (g, m) as one (k, most g, m), zero where one is shorter."""
    made = np.zeros((len(parts), max(map(len, parts)), m))
    for row, part in zip(made, parts, strict=True):
        row[: len(part)] = part
    return made


def all_finite(values: F64) -> bool:
    """Whether all are; the sum of them is, unless it is too large, and costs half the time."""
    with np.errstate(over="ignore", invalid="ignore"):
        return bool(np.isfinite(values.sum()) or np.isfinite(values).all())


def _weights(error: F64) -> F64:
    """One over the square, made in one array: new ones of this size cost more than the sums."""
    weight = np.square(error)
    return np.divide(1.0, weight, out=weight)


def _known(known: npt.NDArray[np.bool_] | None, uncertainty: F64) -> F64:
    """Uncertainties with the column's middle one where none is known; 1 where none is at all.

    ``known`` says which values are there, ``None`` that all are.
    """
    if known is None:
        if uncertainty.size and uncertainty.min() > 0 and uncertainty.max() < np.inf:
            return uncertainty
        known = np.ones(uncertainty.shape, np.bool_)
    good = known & (uncertainty > 0) & (uncertainty < np.inf)
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
    """Value at x = 0, slope and its standard uncertainty of weighted lines (k, g, m) → (k, m)."""
    total = w.sum(axis=1)
    centre = (w * x).sum(axis=1) / total
    away = x - centre[:, None]
    part = w * away
    spread = (part * away).sum(axis=1)
    slope = (part * y).sum(axis=1) / spread
    mean = (w * y).sum(axis=1) / total
    return mean - slope * centre, slope, 1.0 / np.sqrt(spread)


def _excess(x: F64, y: F64, w: F64, line: tuple[F64, F64, F64], count: I64) -> F64:
    """Variance beyond the stated one: what makes the sum of squares what chance would give."""
    middle, slope, _ = line
    rest = (w * np.square(y - middle[:, None] - slope[:, None] * x)).sum(axis=1)
    total = w.sum(axis=1)
    away = x - ((w * x).sum(axis=1) / total)[:, None]
    spread = (w * np.square(away)).sum(axis=1)
    square = np.square(w)
    taken = square.sum(axis=1) / total + (square * np.square(away)).sum(axis=1) / spread
    return np.asarray(np.maximum(0.0, (rest - (count - 2)) / (total - taken)), np.float64)
