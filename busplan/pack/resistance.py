"""Resistance of each cell after 1 s and 10 s of load, from every change of the current.

``fit_resistance`` finds how late each monitor's frames are (``resistance_delay``), sums what acts
on the cells (``resistance_drive``, ``resistance_kernels``), fits every cell beside the middle one
(``resistance_fit``) and holds the cells against each other (``resistance_peers``).

A resistance is a chord: the voltage change so long after a step from rest to a stated current, over
that current, without the part of the open-circuit curve. Its uncertainty is what posterior and
jackknife say and never below ``FLOORS``: what the model leaves out that no part of one drive tells.
To the absolute figure the gain of the current's sensor is added. Where the capture does not allow a
figure, ``missing`` says what is missing and no figure is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from busplan.answers import UNKNOWN, Answer, Interval
from busplan.frames.columns import F64, I64, Mask
from busplan.pack.resistance_delay import Frame, find_delays
from busplan.pack.resistance_drive import FEWEST_BLOCKS, Drive, make_drive
from busplan.pack.resistance_fit import CellFit, Sums, fit_cells
from busplan.pack.resistance_peers import FEWEST_CELLS, Peers, against_peers, whole_modules
from busplan.pack.resistance_scales import CURRENT_GAIN, UNRELATED, AtScale, at_scales
from busplan.pack.sensors import POSSIBLE_V
from busplan.pack.series import Trace
from busplan.pack.statistics import nan_median
from busplan.wording import percent

LEAST_RANGE_A = 20.0
FEWEST_READINGS = 50
NO_CURRENT, NO_CELL = "no current was heard", "no cell was heard"
TOO_FEW = f"fewer than {FEWEST_READINGS} readings of each cell"
RAISED_SHARE = 0.20
"""A resistance this much over what its peers make expect counts (common practice, no source)..."""
RAISED_SAG_SHARE = 0.5
"""... and so does an extra sag, at the greatest current seen, of this part of the spread limit."""
MUST_SHOW = 0.5
"""A capture that would not have shown a cell raised by this part calls no cell good."""


@dataclass(frozen=True, slots=True)
class FrameDelay:
    """Cells (indices) that come in one frame, and how late it tells them [s]; NaN: not found."""

    cells: tuple[int, ...]
    delay_s: float


@dataclass(frozen=True, eq=False)
class Resistance:
    """What one capture says of the cells' resistances.

    ``scales`` holds the figures at each of ``SCALES_S``, for a step to ``at_a`` [A].
    ``blocks`` is how many parts of the capture they rest on, ``range_a`` the span of the current,
    ``peak_a`` the greatest discharge current, at ``peak_time_s``. ``charge`` is the span of the
    state of charge meanwhile [%], ``temperature_c`` (cells,) each cell's module's temperature.
    ``peers`` holds the cells against each other at the shorter scale shown, ``None`` when nothing
    is. ``missing`` is what the capture lacks, "" when it lacks nothing.
    """

    scales: tuple[AtScale, ...]
    at_a: float
    blocks: int
    range_a: float
    peak_a: float
    peak_time_s: float
    charge: Interval
    temperature_c: F64
    module: I64
    delays: tuple[FrameDelay, ...] = ()
    peers: Peers | None = None
    missing: str = ""

    @property
    def judged(self) -> bool:
        """Whether anything is shown."""
        return not self.missing

    @property
    def best(self) -> AtScale:
        """The scale that cells are judged at: the shorter one shown."""
        return next((s for s in self.scales if s.shown), self.scales[-1])

    @property
    def value(self) -> F64:
        """Resistances at the scale that is judged (cells,) [Ω]."""
        return self.best.value

    @property
    def middle(self) -> float:
        """The median cell's resistance at that scale [Ω]."""
        return float(nan_median(self.value))

    @property
    def extra_sag_v(self) -> F64:
        """How much further each cell sags than the median one at the greatest current (m,) [V]."""
        return np.asarray((self.value - self.middle) * self.peak_a, np.float64)

    def _stands_out(self, spread_limit_v: float) -> Mask:
        if self.peers is None:
            return np.zeros(len(self.value), np.bool_)
        excess = self.peers.excess
        over = self.value * excess / (1.0 + excess) * self.peak_a
        with np.errstate(invalid="ignore"):
            matters = (excess > RAISED_SHARE) | (over > RAISED_SAG_SHARE * spread_limit_v)
            return np.asarray((self.peers.far > self.peers.limit) & matters, np.bool_)

    def raised_modules(self, spread_limit_v: float) -> tuple[int, ...]:
        """Modules (indices) that stand out as a whole."""
        if self.peers is None:
            return ()
        alone = self._stands_out(spread_limit_v)
        return whole_modules(alone, self.peers.excess, self.module, RAISED_SHARE)

    def raised(self, spread_limit_v: float) -> I64:
        """Cells that stand out above their peers, by scatter and by effect, in no such module."""
        alone = self._stands_out(spread_limit_v)
        whole = np.isin(self.module, self.raised_modules(spread_limit_v))
        return np.flatnonzero(alone & ~whole)

    def answers(self, spread_limit_v: float) -> tuple[Answer, ...]:
        """The answer for each cell; good only where a raised cell would have been seen."""
        alone = self._stands_out(spread_limit_v)
        whole = np.isin(self.module, self.raised_modules(spread_limit_v))
        return tuple(
            Answer.BAD
            if alone[cell] or whole[cell]
            else Answer.NOT_SHOWN
            if self.open_reason(cell)
            else Answer.GOOD
            for cell in range(len(self.module))
        )

    def open_reason(self, cell: int) -> str:
        """Why a cell that does not stand out is not good, "" when it is."""
        if self.peers is None or not self.judged:
            return self.missing or "no resistances to hold against each other"
        if not np.isfinite(self.value[cell]):
            return "not heard well enough, or not believed"
        if not np.isfinite(self.peers.limit) or np.isfinite(self.value).sum() < FEWEST_CELLS:
            return f"fewer than {FEWEST_CELLS} cells to hold it against"
        if self.peers.shows > MUST_SHOW:
            shows = percent(self.peers.shows, 0, sign=True)
            return f"the cells scatter so much that only {shows} would have stood out"
        middle = float(nan_median(self.temperature_c))
        away = self.temperature_c[cell] - middle
        if not self.peers.energy.believed and abs(away) > 3.0:
            return "its module's temperature does not explain how it differs"
        return ""


def fit_resistance(
    cells: Sequence[Trace],
    current: Trace,
    step_v: float,
    *,
    temperature_c: F64 | None = None,
    module: I64 | None = None,
    charge: Trace | None = None,
    left_out: Sequence[int] = (),
    at_a: float | None = None,
    current_gain: float = CURRENT_GAIN,
    doubt: str = "",
) -> Resistance:
    """Fit every cell; ``current`` positive when it discharges [A], ``step_v`` the voltage step.

    ``temperature_c`` (cells,) and ``module`` (cells,), its number, tell each cell's module;
    ``charge`` [%] the state of charge; ``left_out`` are cells that are not believed. Figures hold
    for a step to ``at_a`` [A], such as the one-hour current (a third of the peak when ``None``).
    ``doubt`` is what makes the current unusable, as ``missing`` tells it.
    """
    count = len(cells)
    warm = np.full(count, np.nan) if temperature_c is None else temperature_c
    member = np.zeros(count, np.int64) if module is None else module
    usable = [_believable(t) if i not in left_out else None for i, t in enumerate(cells)]
    heard = len(current) > 2 and float(np.ptp(current.time_s)) > 0.0
    peak = int(np.argmax(current.value)) if len(current) else 0
    drive = make_drive(current) if heard else None
    span = float(np.ptp(current.value)) if len(current) else 0.0
    heard_cells = any(len(t) for i, t in enumerate(cells) if i not in left_out)
    missing = doubt or _missing(drive, span, heard_cells, any(t is not None for t in usable))
    fitted = None
    delays: tuple[FrameDelay, ...] = ()
    stated = at_a or _round(max(float(np.abs(current.value).max()), 3.0) / 3.0 if heard else 1.0)
    if not missing and drive is not None:
        drive, fit, delays = _fit(usable, drive)
        fitted = None if fit is None else (drive, fit)
        missing = "" if fit is not None else UNRELATED
    scales = at_scales(fitted, stated, warm, step_v, current_gain, missing)
    if not missing and not any(s.shown for s in scales):
        missing = scales[-1].missing
    result = Resistance(
        scales=scales,
        at_a=stated,
        blocks=0 if drive is None else drive.groups,
        range_a=span,
        peak_a=float(current.value[peak]) if len(current) else float("nan"),
        peak_time_s=float(current.time_s[peak]) if len(current) else float("nan"),
        charge=_span_of(charge),
        temperature_c=warm,
        module=member,
        delays=delays,
        missing=missing,
    )
    if missing:
        return result
    best = result.best
    peers = against_peers(best.relative, best.relative_uncertainty, warm, member)
    return replace(result, peers=peers)


def _round(amps: float) -> float:
    """To two digits, as a person would state a current."""
    size = 10.0 ** (np.floor(np.log10(amps)) - 1)
    return float(np.round(amps / size) * size)


def _believable(trace: Trace) -> Trace | None:
    """The trace without values that no cell can have; ``None`` when hardly anything is left."""
    good = (trace.value > POSSIBLE_V[0]) & (trace.value < POSSIBLE_V[1])
    if good.sum() < FEWEST_READINGS:
        return None
    return trace if good.all() else Trace(trace.time_s[good], trace.value[good], trace.step)


def _missing(drive: Drive | None, span_a: float, heard: bool, enough: bool) -> str:
    if drive is None:
        return NO_CURRENT
    if not heard:
        return NO_CELL
    if not enough:
        return TOO_FEW
    if span_a < LEAST_RANGE_A:
        return f"current range under {LEAST_RANGE_A:.0f} A (it was {span_a:.1f} A)"
    if drive.groups < FEWEST_BLOCKS:
        return f"fewer than {FEWEST_BLOCKS} blocks of changing current ({drive.groups})"
    return ""


def frames_together(cells: Sequence[Trace | None]) -> list[list[int]]:
    """Cells that came in the same frames, so that they share their times; silent ones left out."""
    groups: dict[tuple[int, float, float], list[list[int]]] = {}
    for column, trace in enumerate(cells):
        if trace is None or len(trace) < 3:
            continue
        key = (len(trace), float(trace.time_s[0]), float(trace.time_s[-1]))
        for members in groups.setdefault(key, []):
            first = cells[members[0]]
            assert first is not None
            if first.time_s is trace.time_s or np.array_equal(first.time_s, trace.time_s):
                members.append(column)
                break
        else:
            groups[key].append([column])
    return [members for alike in groups.values() for members in alike]


def _fit(
    cells: Sequence[Trace | None], drive: Drive
) -> tuple[Drive, CellFit | None, tuple[FrameDelay, ...]]:
    from busplan.pack.resistance_kernels import block_moments

    frames = []
    for columns in frames_together(cells):
        kept = [t for c in columns if (t := cells[c]) is not None]
        volts = np.ascontiguousarray(np.stack([t.value for t in kept], axis=1))
        frames.append(Frame(tuple(columns), kept[0].time_s, volts))
    found = find_delays(frames, drive)
    drive = drive.with_knee(found.knee)
    causes, groups, count = drive.table.shape[1] - 1, drive.groups, len(cells)
    square = np.zeros((len(frames), groups, causes, causes))
    product, own = np.zeros((count, groups, causes)), np.zeros(count)
    rows, frame_of = np.zeros((len(frames), groups)), np.full(count, -1, np.int64)
    for index, (frame, delay) in enumerate(zip(frames, found.delay_s, strict=True)):
        inside, block, group = drive.rows(frame.time_s)
        if not np.isfinite(delay) or not inside.any():
            continue
        total = block_moments(
            frame.time_s[inside],
            frame.volts[inside],
            group,
            block,
            drive.table,
            drive.start,
            drive.step,
            delay,
            groups,
        )
        square[index], rows[index] = total[:, :causes, :causes], total[:, -1, -1]
        columns = list(frame.columns)
        frame_of[columns] = index
        product[columns] = total[:, :causes, causes:-1].transpose(2, 0, 1)
        own[columns] = np.einsum("gcc->c", total[:, causes:-1, causes:-1])
    heard = np.flatnonzero(frame_of >= 0)
    delays = tuple(
        FrameDelay(f.columns, float(d)) for f, d in zip(frames, found.delay_s, strict=True)
    )
    if not len(heard):
        return drive, None, delays
    fit = fit_cells(Sums(square, product[heard], own[heard], rows, frame_of[heard]))
    return drive, None if fit is None else fit.spread(heard, count), delays


def _span_of(charge: Trace | None) -> Interval:
    if charge is None or not len(charge):
        return UNKNOWN
    return Interval(float(charge.value.min()), float(charge.value.max()))
