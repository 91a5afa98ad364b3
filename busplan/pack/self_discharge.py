"""Self-discharge: the slope at rest of each cell's voltage against its peers.

A cell that loses charge by itself falls, at rest, by a steady slope. Relaxation after the load
falls or rises as well, for hours, and each cell a little differently. Each cell's distance from the
mean of its peers is therefore fitted by a line and ``PAIRS`` exponentials of ``FASTEST_S`` to one
and a half rests, whose sizes are expected within ``OWN_SHARE`` of those that the peers' mean itself
shows (one-signed, by non-negative least squares: Lawson, Hanson, from memory). What that leaves
open widens the slope's interval. Rounding that no noise blurs is one error for each level of the
reading. Where slopes scatter by more than all that, as when monitors drift with the day, the
scatter counts.

What all cells lose alike is not seen, and not judged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.answers import Answer, Interval
from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64, I64
from busplan.pack.labels import cell_label, clock, place, sentence
from busplan.pack.series import PackSeries
from busplan.pack.statistics import block_means, mad_sigma, rounding_sigma, runs
from busplan.pack.windows import REST_A
from busplan.plan.vehicle import PackLayout
from busplan.wording import plain

LEAST_REST_S = 3300.0
SKIPPED_S = 300.0
"""What the fastest relaxations need to be over."""
BLOCK_S, MOST_BLOCKS = 60.0, 240
PAIRS, FASTEST_S = 7, 300.0
OWN_SHARE = 0.15
GATE = 3.5
"""So many standard uncertainties of a cell that loses nothing are accused: five times the scatter
of such cells in made packs, since the uncertainty has a floor ..."""
PROMISED = ((1.0, 2.0), (2.7, 2.0), (2.8, 0.5), (5.7, 0.3), (23.0, 0.1))
"""... and no less than this part of what is promised after a rest of so many hours [h, mV/h]: real
monitors drift with the day (common practice, no source)."""
ACCUSED_SHARE = 0.6
MATTERS_MV_H = 0.5
"""A loss that a short rest cannot exclude is open all the same."""
COARSEST_STEP_V = 0.002
FEWEST_CELLS = 4
LEVEL_MV, SLOPE_SHARE = 0.2, 0.08
"""Uncertainty that the model leaves: over the whole rest [mV], and as a part of the slope."""
LEAST_NOISE_MV = 0.01
TWO_SIDED = 1.96
FOREIGN = 3.0
"""A cell so many uncertainties from the others is no peer of them."""


@dataclass(frozen=True, eq=False)
class SelfDischarge:
    """Slopes at rest against peers [mV/h], negative when the cell falls; arrays (m,), NaN: unknown.

    ``start_s`` and ``hours`` are the rest that was judged. ``missing`` says what would be needed
    where nothing can be told; ``coarse`` that no rest of such steps of voltage would tell it.
    """

    slope: F64
    uncertainty: F64
    start_s: float
    hours: float
    missing: str = ""
    coarse: bool = False

    @property
    def intervals(self) -> tuple[Interval, ...]:
        """Where each slope lies [mV/h] (95 %)."""
        wide = TWO_SIDED * self.uncertainty
        return tuple(map(Interval, (self.slope - wide).tolist(), (self.slope + wide).tolist()))

    @property
    def promised_mv_h(self) -> float:
        """The loss that a rest of this length is promised to show."""
        hours, slopes = np.log(np.array(PROMISED)).T
        return float(np.exp(np.interp(np.log(max(self.hours, 1e-3)), hours, slopes)))

    @property
    def limit_mv_h(self) -> F64:
        """From which loss on each cell is accused (m,) [mV/h]."""
        by_slope = np.square(SLOPE_SHARE * self.slope)
        unlost = np.sqrt(np.maximum(np.square(self.uncertainty) - by_slope, 0.0))
        return np.asarray(np.maximum(GATE * unlost, ACCUSED_SHARE * self.promised_mv_h), np.float64)

    @property
    def shows_mv_h(self) -> F64:
        """The loss that would surely have been accused, 97.5 of 100 times (m,) [mV/h]."""
        return np.asarray(self.limit_mv_h + TWO_SIDED * self.uncertainty, np.float64)

    @property
    def losing(self) -> I64:
        """Cells that lose charge faster than their peers."""
        with np.errstate(invalid="ignore"):
            return np.flatnonzero(self.slope < -self.limit_mv_h)

    @property
    def answers(self) -> tuple[Answer, ...]:
        """Good only where a loss that matters, and that this rest should show, is excluded."""
        bad = set(self.losing.tolist())
        return tuple(
            Answer.BAD
            if i in bad
            else Answer.GOOD
            if interval.known and interval.low > -min(self.promised_mv_h, MATTERS_MV_H)
            else Answer.NOT_SHOWN
            for i, interval in enumerate(self.intervals)
        )


def fit_self_discharge(
    series: PackSeries, faulty: frozenset[tuple[str, int]], step_v: float
) -> SelfDischarge | None:
    """Slopes from the longest rest of a capture; ``None`` when it has no rest of some length."""
    sampled = series.voltage
    time, value = sampled.time_s, sampled.value
    rest = longest_rest(series, time)
    if rest is None:
        return None
    start, stop = rest
    hours = (stop - start) / 3600.0
    blank = np.full(value.shape[1], np.nan)
    if stop - start < LEAST_REST_S:
        if stop - start < LEAST_REST_S / 4:
            return None
        why = f"a rest of {hours * 60:.0f} minutes is too short: record three hours or more"
        return SelfDischarge(blank, blank, start, hours, why)
    if step_v > COARSEST_STEP_V * 1.001:
        why = (
            f"cell voltages come in steps of {plain(step_v * 1e3, 3)} mV, too coarse for a "
            "slope at rest: compare two rests at the same charge, weeks apart"
        )
        return SelfDischarge(blank, blank, start, hours, why, coarse=True)
    value = value.copy()
    value[:, [i for kind, i in faulty if kind == "cell"]] = np.nan
    inside = (time >= start + SKIPPED_S) & (time <= stop)
    slope, error = slopes(time[inside] - start, value[inside], step_v)
    missing = "" if np.isfinite(slope).any() else "too few cells were heard throughout the rest"
    return SelfDischarge(slope, error, start, hours, missing)


def longest_rest(series: PackSeries, time_s: F64) -> tuple[float, float] | None:
    """Start and end [s] of the longest time without current; ``None``: none, or not known."""
    amps = series.quantity_at("current", time_s)
    if amps is None or len(time_s) < 2:
        return None
    with np.errstate(invalid="ignore"):
        starts, stops = runs(np.abs(amps) <= REST_A)
    if not len(starts):
        return None
    best = int(np.argmax(stops - starts))
    return float(time_s[starts[best]]), float(time_s[stops[best] - 1])


def slopes(time_s: F64, value: F64, step_v: float) -> tuple[F64, F64]:
    """Slope against peers and its standard uncertainty (m,) [mV/h] of ``value`` (n, m) [V].

    ``time_s`` counts from the start of the rest.
    """
    blank = np.full(value.shape[1], np.nan)
    span = float(time_s[-1] - time_s[0])
    blocks = int(min(span / BLOCK_S, MOST_BLOCKS))
    edges = np.linspace(time_s[0], time_s[-1] + 1e-6, blocks + 1)
    means = block_means(time_s, value, edges) * 1e3
    middle = (edges[:-1] + edges[1:]) / 2
    heard = np.flatnonzero(np.isfinite(means).all(axis=0))
    if len(heard) < FEWEST_CELLS:
        return blank, blank.copy()
    volts = means[:, heard]
    pulses = np.exp(-middle[:, None] / np.geomspace(FASTEST_S, 1.5 * (span + time_s[0]), PAIRS))
    noise = _errors(value[:, heard] * 1e3, volts, middle, step_v * 1e3, len(time_s) / blocks)
    peers = np.ones(len(heard), np.bool_)
    for _ in range(2):
        count = peers.sum()
        total = volts[:, peers].sum(axis=1)
        # The mean of a cell's peers is that of the others.
        own = np.where(peers, volts, 0.0)
        apart = volts - (total[:, None] - own) / np.maximum(count - peers, 1)
        sizes = _relaxation(middle, total / count, pulses)
        slope, error = _lines(middle, apart, pulses, OWN_SHARE * sizes, noise)
        away = np.abs(slope - np.median(slope)) / error
        if (away < FOREIGN).sum() < FEWEST_CELLS:
            break
        peers = away < FOREIGN
    error = np.sqrt(
        np.square(error) + (LEVEL_MV / (span / 3600.0)) ** 2 + np.square(SLOPE_SHARE * slope)
    )
    beyond = max(mad_sigma(slope) ** 2 - float(np.median(np.square(error))), 0.0)
    error = np.sqrt(np.square(error) + beyond)
    found, sure = blank, blank.copy()
    found[heard], sure[heard] = slope, error
    return found, sure


def _errors(value: F64, means: F64, middle: F64, step: float, count: float) -> F64:
    """Covariance (b, b) [mV^2] of the block means of a cell: noise, and rounding by levels.

    Noise of s blurs the saw-tooth of rounding to a step q; what is left of it has the size
    q / pi exp(-2 pi^2 s^2 / q^2) (its first harmonic) and stays the same within one level.
    """
    changes = np.diff(value, axis=0)
    seen = float(np.nanmedian(np.nanmean(np.square(changes), axis=0))) / 2.0
    own = max(seen - rounding_sigma(step) ** 2, 0.0)
    left = step / np.pi * np.exp(-2.0 * np.pi**2 * own / step**2) / np.sqrt(2.0)
    half = len(means) // 2
    levels = float(np.median(np.ptp(means[half:], axis=0))) / step
    dwell = float(middle[-1] - middle[half]) / max(levels, 0.5)
    apart = np.abs(middle[:, None] - middle[None, :])
    white = max(seen / max(count, 1.0), LEAST_NOISE_MV**2)
    return np.asarray(left**2 * np.exp(-apart / dwell) + white * np.eye(len(middle)), np.float64)


def _relaxation(middle: F64, mean: F64, pulses: F64) -> F64:
    """Sizes (``PAIRS``,) [mV] of the exponentials in the peers' mean, all of one sign."""
    from scipy.optimize import nnls

    line = np.stack([np.ones(len(middle)), middle / middle[-1]], axis=1)
    best, found = np.inf, np.zeros(pulses.shape[1])
    for sign in (1.0, -1.0):
        columns = np.concatenate((line, -line, sign * pulses), axis=1)
        sizes, rest = nnls(columns, mean - mean.mean())
        if rest < best:
            best, found = float(rest), sizes[4:]
    return np.asarray(found, np.float64)


def _lines(middle: F64, apart: F64, pulses: F64, expected: F64, errors: F64) -> tuple[F64, F64]:
    """Slopes (m,) [mV/h] of lines with relaxations of the ``expected`` size beside them."""
    hours = (middle - middle.mean()) / 3600.0
    spread = pulses * expected
    whole = errors + spread @ spread.T
    root = np.linalg.cholesky(whole)
    line = np.stack([np.ones(len(hours)), hours], axis=1)
    a, y = np.linalg.solve(root, line), np.linalg.solve(root, apart)
    cover = np.linalg.inv(a.T @ a)
    found = cover @ (a.T @ y)
    chi = np.square(y - a @ found).sum(axis=0) / max(len(hours) - 2, 1)
    return found[1], np.sqrt(cover[1, 1] * np.maximum(chi, 1.0))


def self_discharge_findings(found: SelfDischarge, layout: PackLayout) -> list[Finding]:
    """A caution for each cell that loses charge faster than its peers."""
    findings = []
    for index in found.losing:
        cell = layout.cells[index]
        interval = found.intervals[index]
        findings.append(
            Finding(
                "cell-self-discharge",
                Weight.CAUTION,
                place(cell.address, found.start_s),
                f"{sentence(cell_label(cell))} falls by {plain(-interval.high, 2)} to "
                f"{plain(-interval.low, 2)} mV/h (95 %) against its peers in "
                f"{found.hours:.1f} h of rest from {clock(found.start_s)} on.",
                "It loses charge by itself until it limits the pack; one that loses more and more "
                "may be damaged inside.",
                "Make sure that no balancing ran, rest longer, look again; then have licensed "
                "people take the module out.",
                (
                    Figure("slope", float(found.slope[index]), "mV/h"),
                    Figure("low", interval.low, "mV/h"),
                    Figure("high", interval.high, "mV/h"),
                    Figure("limit", float(found.limit_mv_h[index]), "mV/h"),
                    Figure("rest", found.hours, "h"),
                ),
            )
        )
    return findings
