"""What acts on every cell alike while the current changes, and how much a step makes of it.

A cell's voltage is a steep curve of charge less what the current makes at once and after a while::

    V(t) = U(q) − [a I + b h(I) + Σ c_j lag_j(I)],   h(I) = I_k asinh(I / I_k)

lag_j is the current through a first-order low pass of ``LAGS_S``, exact for straight lines between
samples; h takes up that cells have less resistance at high current (charge transfer, Butler and
Volmer). No coefficient is negative. R(Δt) at a stated current I₀ is the voltage change that time
after a step from rest to I₀, over I₀, without the part of the open-circuit curve: the chord
``a + b h(I₀)/I₀ + Σ c_j (1 − e^(−Δt/τ_j))`` (pulse resistance as in IEC 62660-1, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from busplan.frames.columns import F64, I64, Mask
from busplan.pack.series import Trace

LAGS_S = (0.4, 1.0, 2.5, 6.3, 16.0, 40.0, 100.0)
KNEES = (0.05, 0.1, 0.2, 0.4, 1.0)
"""I_k as parts of the greatest current."""
FINEST_S = 0.02
MOST_POINTS = 2_000_000
BLOCKS_S = (60.0, 40.0, 30.0, 20.0, 15.0, 10.0, 6.0, 4.0)
"""Lengths of a block: the longest is taken of which there are ``WANTED_BLOCKS``, else the longest
of which there are ``FEWEST_BLOCKS``."""
FEWEST_BLOCKS = 4
WANTED_BLOCKS = 8
MOST_GROUPS = 40
LIVE_SHARE = 0.1
"""A block counts whose current spans this part of the whole range, or ``LIVE_A``."""
LIVE_A = 10.0
AFTER_GAP_S = 30.0


@dataclass(frozen=True, eq=False)
class Drive:
    """The causes on a uniform grid from ``start`` in steps of ``step`` [s].

    ``table`` (g, 8 + knees): the current, h at each of ``knees_a``, the current's slow parts; last
    the charge drawn [As]. ``live`` are blocks of time, (b, 2) start and stop [s], in which
    the current changes, in time order; ``group`` (b,) puts them together, at most ``MOST_GROUPS``.
    ``span_a`` is how far the current ranges, ``peak_a`` its greatest size.
    """

    start: float
    step: float
    table: F64
    knees_a: tuple[float, ...]
    live: F64
    group: I64
    span_a: float
    peak_a: float
    unknown: F64

    @property
    def block_s(self) -> float:
        """Length of a block [s]; 0 without any."""
        return float(self.live[0, 1] - self.live[0, 0]) if len(self.live) else 0.0

    @property
    def groups(self) -> int:
        """How many parts of the drive the uncertainty is found from."""
        return int(self.group[-1]) + 1 if len(self.group) else 0

    def rows(self, time_s: F64) -> tuple[Mask, I64, I64]:
        """Which of the times lie in a live block with a known current; their block and group."""
        block = np.searchsorted(self.live[:, 0], time_s, side="right") - 1
        inside = (block >= 0) & (time_s < self.live[np.maximum(block, 0), 1])
        for begin, end in self.unknown:
            inside &= (time_s < begin) | (time_s > end)
        block = block[inside]
        return inside, block, self.group[block]

    def with_knee(self, knee: int | None) -> Drive:
        """The same with one knee's column, or with none."""
        own = () if knee is None else (self.knees_a[knee],)
        kept = [
            0,
            *([] if knee is None else [1 + knee]),
            *range(1 + len(self.knees_a), self.table.shape[1]),
        ]
        return replace(self, table=np.ascontiguousarray(self.table[:, kept]), knees_a=own)

    def chord(self, after_s: float, at_a: float) -> F64:
        """How much of each coefficient R(``after_s``) at the current ``at_a`` has, (causes,)."""
        shares = [1.0]
        shares += [knee / at_a * float(np.arcsinh(at_a / knee)) for knee in self.knees_a]
        shares += [1.0 - float(np.exp(-after_s / lag)) for lag in LAGS_S]
        return np.array(shares)


def make_drive(current: Trace) -> Drive:
    """The causes from a current, positive when it discharges [A]; settled where it begins."""
    from busplan.pack.resistance_kernels import slow_parts

    time, amps = current.time_s, current.value
    start, span = float(time[0]), float(time[-1] - time[0])
    step = max(min(current.period_s / 2.0, 1.0), FINEST_S, span / MOST_POINTS)
    grid = start + step * np.arange(int(span / step) + 2)
    drawn = np.interp(grid, time, amps)
    peak = float(np.abs(amps).max())
    knees = tuple(share * peak for share in KNEES) if peak > 0 else ()
    columns = [drawn, *(k * np.arcsinh(drawn / k) for k in knees)]
    columns += [slow_parts(drawn, float(np.exp(-step / lag))) for lag in LAGS_S]
    middle = np.concatenate(([0.0], (drawn[1:] + drawn[:-1]) / 2))
    columns.append(np.cumsum(middle) * step)
    live = _live_blocks(time, amps, start, span)
    count = min(len(live), MOST_GROUPS)
    group = np.arange(len(live)) * count // max(len(live), 1)
    gaps = np.flatnonzero(np.diff(time) > current.stale_s)
    unknown = np.stack((time[gaps], time[gaps + 1] + AFTER_GAP_S), axis=1)
    return Drive(
        start=start,
        step=step,
        table=np.stack(columns, axis=1),
        knees_a=knees,
        live=live,
        group=group,
        span_a=float(np.ptp(amps)),
        peak_a=peak,
        unknown=unknown,
    )


def _live_blocks(time: F64, amps: F64, start: float, span: float) -> F64:
    """Blocks in which the current changes, (b, 2) [s]."""
    least = max(LIVE_A, LIVE_SHARE * float(np.ptp(amps)))
    kept, fallback = np.empty((0, 2)), np.empty((0, 2))
    for length in BLOCKS_S:
        count = max(int(span / length), 1)
        edges = start + span * np.arange(count + 1) / count
        first = np.searchsorted(time, edges)
        whole = np.flatnonzero(np.diff(first) >= 8)
        changing = [np.ptp(amps[first[b] : first[b + 1]]) >= least for b in whole]
        live = whole[np.array(changing, np.bool_)]
        kept = np.stack((edges[live], edges[live + 1]), axis=1)
        if len(kept) >= WANTED_BLOCKS:
            return kept
        if len(kept) >= FEWEST_BLOCKS > len(fallback):
            fallback = kept
    return fallback if len(fallback) else kept
