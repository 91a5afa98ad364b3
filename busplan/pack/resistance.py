"""Resistance of each cell, from every change of the current.

Model of a cell over a short block of time (equivalent circuit with resistor-capacitor pairs:
G. L. Plett, "Battery Management Systems", vol. 1, sections 2.3 and 2.4; from memory)::

    V(t) = a + b t + c q(t) − R I(t) − Σ R_j i_j(t)
    q(t) = ∫ I dt,      i_j' = (I − i_j) / τ_j

a, b and c stand for open-circuit voltage, its drift and its fall with the charge drawn, anew in
each block of ``BLOCK_S``. R is what acts at once; the pairs with the fixed time constants
``PAIR_S`` take up what the cell adds over seconds to a minute, whatever its own constants are. R
and R_j are common to all blocks. By the theorem of Frisch, Waugh and Lovell they follow by least
squares once [1, t, q] is projected out of V, I and i_j in each block.

The variance of R is summed block by block (a "cluster" sandwich, so errors may be alike inside a
block), and never below what rounding to the voltage step gives. The current is taken at the very
time of each voltage frame; rows in which it is just changing are left out, because a late voltage
would make R too small there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.findings import Figure, Finding, Weight
from busplan.pack.labels import cell_label, clock, place, sentence
from busplan.pack.series import Trace
from busplan.pack.statistics import F64, I64, Mask, deviates, gate, nan_median, rounding_sigma, runs
from busplan.plan.vehicle import PackLayout

BLOCK_S = 60.0
PAIR_S = (8.0, 40.0)
FEWEST_BLOCKS = 4
RAISED_SHARE = 0.25
"""A resistance this much over the median one counts (common practice, no source)..."""
RAISED_SAG_SHARE = 0.5
"""... and so does an extra sag, at the greatest current seen, of this part of the spread limit."""
LEAST_SCATTER = 0.05
"""Usual scatter of resistances over sound peers, as a part of the median one."""
STEP_SHARE = 0.2
"""A current step is at least this share of the current's whole range."""
STEP_LEAST_A = 20.0
BEFORE_S = 1.0
SETTLE_S = 0.3
AFTER_S = 1.2


@dataclass(frozen=True, eq=False)
class Resistance:
    """Resistances per cell [Ω], all of shape ``(cells,)``; NaN where nothing can be said.

    ``value`` with standard ``uncertainty`` by regression; ``step_value`` and ``step_uncertainty``
    from ``steps`` current steps. ``peak_a`` is the greatest discharge current seen, ``range_a``
    the span of the current.
    """

    value: F64
    uncertainty: F64
    step_value: F64
    step_uncertainty: F64
    steps: int
    peak_a: float
    peak_time_s: float
    range_a: float

    @property
    def judged(self) -> bool:
        """Whether the current changed enough to know the median cell to a tenth."""
        middle = float(nan_median(self.value))
        known = middle > 0 and float(nan_median(self.uncertainty)) <= 0.1 * middle
        return bool(known and self.range_a >= STEP_LEAST_A)

    @property
    def middle(self) -> float:
        """The median cell's resistance [Ω]."""
        return float(nan_median(self.value))

    @property
    def extra_sag_v(self) -> F64:
        """How much further each cell sags than the median one at the greatest current (m,) [V]."""
        return np.asarray((self.value - self.middle) * self.peak_a, np.float64)

    def raised(self, spread_limit_v: float) -> I64:
        """Cells whose resistance stands out above their peers', by scatter and by effect."""
        if not self.judged:
            return np.empty(0, np.int64)
        far = deviates(self.value, self.uncertainty, LEAST_SCATTER * self.middle)
        matters = (self.value > (1.0 + RAISED_SHARE) * self.middle) | (
            self.extra_sag_v > RAISED_SAG_SHARE * spread_limit_v
        )
        return np.flatnonzero((far > gate(len(self.value))) & matters)


@dataclass(frozen=True, eq=False)
class Excitation:
    """What acts on every cell alike, besides the current itself.

    On a uniform ``grid_s`` (n,): the ``charge`` drawn [As], and for each of ``PAIR_S`` the current
    through the resistor of the pair [A].
    """

    current: Trace
    grid_s: F64
    charge: F64
    pairs: tuple[F64, ...]


def excitation(current: Trace) -> Excitation:
    """Charge and pair currents of a current, at rest before it begins.

    The current is linear between its samples; ∫ I dt by the trapezoid rule, the pairs by
    ``i[k+1] = a i[k] + (1 − a) (I[k] + I[k+1]) / 2`` with ``a = e^(−d/τ)``, d the grid's step.
    """
    if len(current) < 3:
        grid = np.array([0.0, 1.0])
        return Excitation(current, grid, np.zeros(2), tuple(np.zeros(2) for _ in PAIR_S))
    step = max(current.period_s, 1e-3)
    grid = np.arange(float(current.time_s[0]), float(current.time_s[-1]) + step, step)
    amps = np.interp(grid, current.time_s, current.value)
    middle = np.concatenate(([0.0], (amps[1:] + amps[:-1]) / 2))
    pairs = []
    for constant in PAIR_S:
        pairs.append(low_pass(middle, float(np.exp(-step / constant))))
    return Excitation(current, grid, np.cumsum(middle) * step, tuple(pairs))


def low_pass(values: F64, decay: float) -> F64:
    """``y[k] = decay · y[k−1] + (1 − decay) · x[k]`` from y = 0, shape kept; 0 < decay < 1.

    In pieces short enough that the powers of ``decay`` keep their digits:
    ``y[k] = decay^k (y0 + (1 − decay) Σ x[j] / decay^j)``.
    """
    filtered = np.empty(len(values))
    piece = max(int(-10.0 / np.log(decay)), 1)
    powers = decay ** np.arange(1, piece + 1)
    last = 0.0
    for start in range(0, len(values), piece):
        part = values[start : start + piece]
        power = powers[: len(part)]
        filtered[start : start + piece] = power * (last + (1.0 - decay) * np.cumsum(part / power))
        last = float(filtered[start + len(part) - 1])
    return filtered


def fit_resistance(cells: Sequence[Trace], current: Trace, step_v: float) -> Resistance:
    """Fit every cell; ``current`` positive when it discharges [A], ``step_v`` the voltage step."""
    count = len(cells)
    value, uncertainty = np.full(count, np.nan), np.full(count, np.nan)
    step_value, step_uncertainty = np.full(count, np.nan), np.full(count, np.nan)
    moments = current_steps(current)
    drive = excitation(current)
    for columns in frames_together(cells):
        time = cells[columns[0]].time_s
        voltage = np.stack([cells[c].value for c in columns], axis=1)
        value[columns], uncertainty[columns] = regress(time, voltage, drive, step_v)
        step_value[columns], step_uncertainty[columns] = resistance_at_steps(
            time, voltage, current, moments, step_v
        )
    peak = int(np.argmax(current.value)) if len(current) else 0
    return Resistance(
        value=value,
        uncertainty=uncertainty,
        step_value=step_value,
        step_uncertainty=step_uncertainty,
        steps=len(moments),
        peak_a=float(current.value[peak]) if len(current) else float("nan"),
        peak_time_s=float(current.time_s[peak]) if len(current) else float("nan"),
        range_a=float(np.ptp(current.value)) if len(current) else 0.0,
    )


def frames_together(cells: Sequence[Trace]) -> list[list[int]]:
    """Cells that came in the same frames, so that they share their times; silent ones left out."""
    groups: dict[tuple[int, float, float], list[list[int]]] = {}
    for column, trace in enumerate(cells):
        if len(trace) < 3:
            continue
        key = (len(trace), float(trace.time_s[0]), float(trace.time_s[-1]))
        for members in groups.setdefault(key, []):
            first = cells[members[0]].time_s
            if first is trace.time_s or np.array_equal(first, trace.time_s):
                members.append(column)
                break
        else:
            groups[key].append([column])
    return [members for alike in groups.values() for members in alike]


def regress(time_s: F64, voltage: F64, drive: Excitation, step_v: float) -> tuple[F64, F64]:
    """R and its uncertainty (m,) [Ω] of cells that share ``time_s`` (n,); ``voltage`` (n, m)."""
    amps = drive.current.at(time_s)
    charge = np.interp(time_s, drive.grid_s, drive.charge)
    slow = [np.interp(time_s, drive.grid_s, pair) for pair in drive.pairs]
    use = np.isfinite(amps) & _settled(time_s, amps)
    unknown = np.full(voltage.shape[1], np.nan)
    if use.sum() < 8:
        return unknown, unknown.copy()
    span = float(time_s[-1] - time_s[0])
    blocks = max(int(span / BLOCK_S), FEWEST_BLOCKS)
    edges = np.linspace(time_s[0], time_s[-1], blocks + 1)
    block = np.clip(np.searchsorted(edges, time_s, side="right") - 1, 0, blocks - 1)
    causes = np.stack([amps, *slow], axis=1)
    square = np.zeros((causes.shape[1], causes.shape[1]))
    product = np.zeros((causes.shape[1], voltage.shape[1]))
    kept = []
    for index in range(blocks):
        rows = np.flatnonzero(use & (block == index))
        if len(rows) < 8:
            continue
        basis = _orthonormal(time_s[rows], charge[rows])
        cause = causes[rows] - basis @ (basis.T @ causes[rows])
        effect = voltage[rows] - basis @ (basis.T @ voltage[rows])
        square += cause.T @ cause
        product -= cause.T @ effect
        kept.append((cause, effect))
    if len(kept) < 2 or square[0, 0] <= 0.0:
        return unknown, unknown.copy()
    inverse = np.linalg.pinv(square, rcond=1e-9, hermitian=True)
    value = inverse @ product
    # First row of the inverse: how the errors of each block move R, the pairs being free.
    scores = np.array([inverse[0] @ (c.T @ (e + c @ value)) for c, e in kept])
    clusters = len(kept) / (len(kept) - 1) * (scores**2).sum(axis=0)
    floor = rounding_sigma(step_v) ** 2 * inverse[0, 0]
    return value[0], np.sqrt(np.maximum(clusters, floor))


def _settled(time_s: F64, amps: F64) -> Mask:
    """Rows whose current is not just changing (not more than usual, or a twentieth of its range).

    The next row and the one before are looked at, so a frame delayed by one period does no harm.
    """
    change = np.abs(np.diff(amps, prepend=amps[:1]))
    near = np.fmax(change, np.append(change[1:], 0.0))
    usual = float(nan_median(near))
    spread = float(np.nanmax(amps) - np.nanmin(amps)) if np.isfinite(amps).any() else 0.0
    return np.asarray(near <= max(spread / 20.0, usual), np.bool_)


def _orthonormal(time_s: F64, charge: F64) -> F64:
    """An orthonormal basis of [1, t, q] on these rows; columns that add nothing are dropped."""
    columns = [np.ones(len(time_s))]
    for raw in (time_s, charge):
        scale = float(np.ptp(raw))
        columns.append((raw - raw.mean()) / scale if scale > 0 else np.zeros(len(raw)))
    left, size, _ = np.linalg.svd(np.stack(columns, axis=1), full_matrices=False)
    return np.asarray(left[:, size > 1e-6 * size[0]], np.float64)


def current_steps(current: Trace) -> list[tuple[float, float]]:
    """Start and end [s] of each quick change between two level stretches of the current."""
    if len(current) < 8:
        return []
    need = max(STEP_LEAST_A, STEP_SHARE * float(np.ptp(current.value)))
    change = np.abs(np.diff(current.value))
    starts, stops = runs(change > need / 8)
    found: list[tuple[float, float]] = []
    for a, b in zip(starts, stops, strict=True):
        begin, end = float(current.time_s[a]), float(current.time_s[b])
        before = current.value[_window(current.time_s, begin - BEFORE_S, begin)]
        after = current.value[_window(current.time_s, end, end + AFTER_S)]
        if end - begin > 0.5 or len(before) < 3 or len(after) < 3:
            continue
        level = max(float(np.ptp(before)), float(np.ptp(after)))
        jump = abs(float(np.median(after) - np.median(before)))
        if jump >= need and level <= jump / 8:
            found.append((begin, end))
    return found


def resistance_at_steps(
    time_s: F64, voltage: F64, current: Trace, moments: Sequence[tuple[float, float]], step_v: float
) -> tuple[F64, F64]:
    """−ΔV/ΔI at each step: the median over steps and the uncertainty of it, each (m,) [Ω]."""
    found = []
    sizes = []
    for begin, end in moments:
        before = _window(time_s, begin - BEFORE_S, begin - 1e-9)
        after = _window(time_s, end + SETTLE_S, end + AFTER_S)
        if before.stop - before.start < 2 or after.stop - after.start < 2:
            continue
        change = np.median(voltage[after], axis=0) - np.median(voltage[before], axis=0)
        jump = float(np.mean(current.at(time_s[after])) - np.mean(current.at(time_s[before])))
        if np.isfinite(jump) and jump != 0.0:
            found.append(-change / jump)
            sizes.append(abs(jump))
    if not found:
        unknown = np.full(voltage.shape[1], np.nan)
        return unknown, unknown.copy()
    each = np.array(found)
    middle = np.median(each, axis=0)
    scatter = 1.4826 * np.median(np.abs(each - middle), axis=0)
    rounding = 2.0**0.5 * rounding_sigma(step_v) / float(np.median(sizes))
    # The median of n values has the deviation of the mean times √(π/2).
    return middle, np.sqrt(np.pi / 2 * (scatter**2 + rounding**2) / len(each))


def _window(time_s: F64, start: float, stop: float) -> slice:
    first, last = np.searchsorted(time_s, (start, stop))
    return slice(int(first), int(last))


def resistance_findings(
    resistance: Resistance, layout: PackLayout, temperature_c: F64
) -> list[Finding]:
    """A caution for each cell of raised resistance; ``temperature_c`` (m,) is noted beside it."""
    findings = []
    middle = resistance.middle
    for index in resistance.raised(layout.limits.voltage_spread_v):
        cell = layout.cells[index]
        value, error = float(resistance.value[index]), float(resistance.uncertainty[index])
        warmth = float(temperature_c[index])
        sag = float(resistance.extra_sag_v[index])
        at = f" at {warmth:.0f} °C" if np.isfinite(warmth) else ""
        figures = [
            Figure("resistance", value * 1e3, "mΩ"),
            Figure("uncertainty", error * 1e3, "mΩ"),
            Figure("median of peers", middle * 1e3, "mΩ"),
            Figure("extra sag", sag * 1e3, "mV"),
            Figure("current", resistance.peak_a, "A"),
        ]
        if np.isfinite(warmth):
            figures.append(Figure("temperature", warmth, "°C"))
        findings.append(
            Finding(
                "cell-resistance-high",
                Weight.CAUTION,
                place(cell.address, resistance.peak_time_s),
                f"{sentence(cell_label(cell))} has {value * 1e3:.3f} mΩ{at} "
                f"(fit ± {error / value:.1%}), {value / middle - 1.0:.0%} over its peers' "
                f"{middle * 1e3:.3f} mΩ; at "
                f"{resistance.peak_a:.0f} A ({clock(resistance.peak_time_s)}) it sags "
                f"{sag * 1e3:.0f} mV more.",
                "A loose busbar heats at that spot; an aged cell limits the pack under load.",
                "Have licensed people check the torque and faces of its busbars, then the cell.",
                tuple(figures),
            )
        )
    return findings
