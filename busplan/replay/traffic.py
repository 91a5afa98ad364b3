"""How busy each network is at any moment: time on the wire, summed once into bins.

Load is time on the wire over time passed. A moment falls at the end of the last full bin, so that
"now" is the second before it and "last minute" the sixty seconds before it; near the start of a
capture, and of a network's own frames, the window is what has passed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from busplan.capture.frames import ERROR, I64, FrameTable
from busplan.replay.index import FrameIndex

BIN_NS = 100_000_000
NOW_NS = 1_000_000_000
"""Window of the load called "now"."""
MINUTE_NS = 60_000_000_000
SECOND_BINS = NOW_NS // BIN_NS

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Load:
    """Load of one network at a moment, as parts of 1.

    ``now`` over the last second, ``minute`` over the last minute, ``peak`` the highest second so
    far, which ended at ``peak_ns``. ``frames_per_s`` over the last second. ``errors`` counts error
    frames so far, ``errors_minute`` those of the last minute. ``recorded`` is false when the
    capture holds no frame of this network.
    """

    network: str
    now: float
    minute: float
    peak: float
    peak_ns: int
    frames_per_s: float
    errors: int
    errors_minute: int
    recorded: bool


@dataclass(frozen=True, eq=False)
class Traffic:
    """Running sums over bins of 0.1 s; arrays have shape ``(n_networks, n_bins + 1)``.

    ``shares_ns`` is per identifier over bins of one second, ``(n_keys, n_seconds + 1)``.
    """

    networks: tuple[str, ...]
    busy_ns: I64
    frames: I64
    errors: I64
    peak: F64
    peak_bin: I64
    shares_ns: I64

    @staticmethod
    def of(
        table: FrameTable, index: FrameIndex, networks: Sequence[str], wire_ns: I64
    ) -> Traffic:
        """Sum up ``wire_ns`` (time on the wire of each row of ``table``) by network and bin."""
        names = tuple(networks)
        n_bins = int(table.span_ns // BIN_NS) + 1
        place = np.array([names.index(n) if n in names else -1 for n in table.networks], np.int64)
        known = place[table.network] if len(table) else np.empty(0, np.int64)
        cell = known * n_bins + (table.time_ns - index.origin_ns) // BIN_NS
        shape = (len(names), n_bins)
        fault = (table.flags & ERROR) != 0

        def total(mask: npt.NDArray[np.bool_], weights: I64 | None = None) -> I64:
            chosen = None if weights is None else weights[mask].astype(np.float64)
            sums = np.bincount(cell[mask], chosen, minlength=shape[0] * n_bins)
            sums = np.rint(sums).astype(np.int64).reshape(shape)
            return np.concatenate([np.zeros((shape[0], 1), np.int64), sums.cumsum(1)], axis=1)

        inside = known >= 0
        busy = total(inside, wire_ns)
        second = np.zeros(busy.shape)
        wide = min(SECOND_BINS, n_bins)
        second[:, wide:] = (busy[:, wide:] - busy[:, :-wide]) / (wide * BIN_NS)
        peak = np.maximum.accumulate(second, axis=1)
        rises = np.where(np.diff(peak, axis=1, prepend=0.0) > 0, np.arange(n_bins + 1), 0)
        return Traffic(
            names,
            busy,
            total(inside & ~fault),
            total(inside & fault),
            peak,
            np.maximum.accumulate(rises, axis=1),
            _shares(index, wire_ns),
        )

    def at(self, t_ns: int) -> tuple[Load, ...]:
        """The load of every network at a moment."""
        end = min(max(t_ns, 0) // BIN_NS, self.busy_ns.shape[1] - 1)
        return tuple(self._load(i, name, int(end)) for i, name in enumerate(self.networks))

    def share(self, t_ns: int) -> F64:
        """Each identifier's share of its network's time over the last minute; ``(n_keys,)``."""
        end = int(min(max(t_ns, 0) // NOW_NS, self.shares_ns.shape[1] - 1))
        begin = max(0, end - MINUTE_NS // NOW_NS)
        if end == begin:
            return np.zeros(len(self.shares_ns))
        spent: F64 = (self.shares_ns[:, end] - self.shares_ns[:, begin]) / ((end - begin) * NOW_NS)
        return spent

    def curve(self, network: str, columns: int) -> F64:
        """Load of one network over the whole capture in equal columns; ``(columns,)``."""
        sums = self.busy_ns[self.networks.index(network)]
        edges = np.linspace(0, len(sums) - 1, columns + 1)
        inside = np.interp(edges, np.arange(len(sums)), sums)
        width = max((edges[1] - edges[0]) * BIN_NS, 1.0)
        return np.diff(inside) / width

    def mean(self, a_ns: int, b_ns: int) -> F64:
        """Mean load of each network between two moments, to the nearest bins; ``(n_networks,)``."""
        a, b = (min(max(t, 0) // BIN_NS, self.busy_ns.shape[1] - 1) for t in (a_ns, b_ns))
        if b <= a:
            return np.zeros(len(self.networks))
        spent: F64 = (self.busy_ns[:, b] - self.busy_ns[:, a]) / ((b - a) * BIN_NS)
        return spent

    def _load(self, i: int, name: str, end: int) -> Load:
        def passed(sums: I64, bins: int) -> tuple[int, int]:
            begin = max(0, end - bins)
            return int(sums[i, end] - sums[i, begin]), max(end - begin, 1)

        second, n_second = passed(self.busy_ns, SECOND_BINS)
        minute, n_minute = passed(self.busy_ns, MINUTE_NS // BIN_NS)
        frames, _ = passed(self.frames, SECOND_BINS)
        return Load(
            name,
            second / (n_second * BIN_NS),
            minute / (n_minute * BIN_NS),
            float(self.peak[i, end]),
            int(self.peak_bin[i, end]) * BIN_NS,
            frames / (n_second * BIN_NS / 1e9),
            int(self.errors[i, end]),
            passed(self.errors, MINUTE_NS // BIN_NS)[0],
            bool(self.frames[i, -1]),
        )


def _shares(index: FrameIndex, wire_ns: I64) -> I64:
    n_seconds = int(index.times_ns.max() // NOW_NS) + 1 if len(index.times_ns) else 1
    sums = np.zeros((len(index.keys), n_seconds + 1), np.int64)
    for k in range(len(index.keys)):
        at = index.slice_of(k)
        spent = np.bincount(
            index.times_ns[at] // NOW_NS,
            wire_ns[index.rows[at]].astype(np.float64),
            minlength=n_seconds,
        )
        sums[k, 1:] = np.rint(spent).astype(np.int64).cumsum()
    return sums
