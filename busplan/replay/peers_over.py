"""All cells or all sensors over columns of time: each one, and how far they reach together."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.frames.columns import F64
from busplan.plan.vehicle import SignalAddress
from busplan.replay.replay import Replay
from busplan.replay.track import Columns, at_hand, tracks
from busplan.replay.trend import cell_grid, sensor_grid


@dataclass(frozen=True, eq=False)
class PeersOver:
    """Lowest and highest of each peer in each column, ``(n_peers, n_columns)``; NaN: nothing.

    ``low``, ``middle`` and ``high`` are those of all that are believed: the lowest, the median at
    the end of each column, the highest.
    """

    lows: F64
    highs: F64
    low: F64
    middle: F64
    high: F64
    aside: tuple[int, ...]

    def of(self, members: Sequence[int]) -> tuple[F64, F64]:
        """The middle of some peers from its lowest to its highest.

        Those that are not believed count only where there are no others.
        """
        mine = [i for i in members if i not in self.aside] or list(members)
        return _median(self.lows[mine]), _median(self.highs[mine])

    def middle_now(self, members: Sequence[int], column: int) -> float:
        """The same as one value at a column."""
        low, high = self.of(members)
        inside = 0 <= column < len(low)
        return float(low[column] + high[column]) / 2 if inside else float("nan")


def addresses(replay: Replay, sensors: bool) -> tuple[SignalAddress, ...]:
    """The signals of all sensors or all cells."""
    layout = replay.vehicle.pack
    if layout is None:
        return ()
    return (
        tuple(s.address for s in layout.sensors)
        if sensors
        else tuple(c.address for c in layout.cells)
    )


def peers_over(replay: Replay, sensors: bool, columns: Columns) -> PeersOver:
    """All cells [V] or all sensors [°C]; by the values at the columns' ends while others are read.

    See :func:`busplan.replay.track.at_hand`.
    """
    aside = replay.aside("sensor" if sensors else "cell")
    grid = (sensor_grid if sensors else cell_grid)(replay, columns.edges[1:] - 1)
    known = addresses(replay, sensors)
    lows = highs = grid.values
    if at_hand(replay, known):
        ends = [
            (None, None) if track is None else track.lowest_highest(columns)
            for track in tracks(replay, known)
        ]
        nothing = np.full(columns.count, np.nan)
        lows = np.array([nothing if low is None else low for low, _ in ends])
        highs = np.array([nothing if high is None else high for _, high in ends])
        shape = (len(known), columns.count)
        lows, highs = lows.reshape(shape), highs.reshape(shape)
    good = [i for i in range(len(known)) if i not in aside]
    return PeersOver(
        lows,
        highs,
        _over(np.fmin, lows[good], columns.count),
        grid.band()[1],
        _over(np.fmax, highs[good], columns.count),
        aside,
    )


def _over(join: np.ufunc, values: F64, count: int) -> F64:
    if not len(values):
        return np.full(count, np.nan)
    return np.asarray(join.reduce(values, axis=0), np.float64)


def _median(values: F64) -> F64:
    if len(values) == 1:
        return np.asarray(values[0], np.float64)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a column in which nobody has a value
        return np.asarray(np.nanmedian(values, axis=0), np.float64)
