"""How busy each network is at any moment: the measured load, summed up once over bins of 0.1 s.

Load is time on the wire over time passed, with the exact bits of the recorded payloads. A moment
falls at the end of the last full bin, so that "now" is the second before it and "last minute" the
sixty seconds before it; near a network's first frame the window is what has passed since then.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from busplan.frames.columns import F64, I64
from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Network
from busplan.traffic.measured_load import MeasuredLoad, Told, measured_load, rates_of

BIN_NS = 100_000_000
NOW_NS = 1_000_000_000
"""Window of the load called "now"."""
MINUTE_NS = 60_000_000_000
NOW_BINS = NOW_NS // BIN_NS
MINUTE_BINS = MINUTE_NS // BIN_NS


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """Load of one network at a moment, as parts of 1.

    ``now`` over the last second, ``minute`` over the last minute, ``peak`` the highest second so
    far, which ended at ``peak_ns``. ``frames_per_s`` over the last second. ``errors`` counts error
    frames so far, ``errors_minute`` those of the last minute. ``recorded`` is false when the
    capture holds no frame of this network; while ``counted`` is false all figures are zero, because
    its frames have yet to be counted.
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
    counted: bool = True


@dataclass(frozen=True, eq=False, kw_only=True)
class Traffic:
    """Running sums over the bins; arrays have shape ``(n_networks, n_bins + 1)``.

    ``frame_ns`` is the mean exact time on the wire of one frame of each identifier, ``measured``
    what the sums were made of. ``first_bin`` and ``end_bin`` (n_networks,) enclose the bins in
    which a network was recorded; what lies outside counts as no time of it.
    """

    networks: tuple[str, ...]
    busy_ns: I64
    frames: I64
    errors: I64
    peak: F64
    peak_bin: I64
    first_bin: I64
    end_bin: I64
    frame_ns: Mapping[FrameKey, float]
    measured: Mapping[str, MeasuredLoad]
    recorded: frozenset[str]
    """Networks of which there is any frame."""
    counted: bool = True
    """False while all figures are zero because nothing has been counted yet."""

    @staticmethod
    def uncounted(table: FrameTable, networks: Mapping[str, Network]) -> Traffic:
        """What can be said at once: which networks there are frames of."""
        names = tuple(networks)
        none = np.zeros((len(names), 2), np.int64)
        recorded = frozenset(key.network for key in table.groups)
        return Traffic(
            networks=names,
            busy_ns=none,
            frames=none,
            errors=none,
            peak=none.astype(np.float64),
            peak_bin=none,
            first_bin=none[:, 0],
            end_bin=none[:, 0] + 1,
            frame_ns={},
            measured={},
            recorded=recorded,
            counted=False,
        )

    @staticmethod
    def of(
        table: FrameTable,
        networks: Mapping[str, Network],
        *,
        until_ns: int = 0,
        told: Told | None = None,
    ) -> Traffic:
        """Sum up a table whose networks are named as the plan names them.

        The sums go on, without frames, to ``until_ns`` at least.
        """
        measured = measured_load(table, rates_of(networks), BIN_NS, exact_only=True, told=told)
        n_bins = max((len(m.exact_ns) for m in measured.values()), default=1)
        n_bins = max(n_bins, until_ns // BIN_NS)
        sums = np.zeros((3, len(networks), n_bins + 1), np.int64)
        first_bin = np.zeros(len(networks), np.int64)
        end_bin = np.full(len(networks), n_bins, np.int64)
        frame_ns: dict[FrameKey, float] = {}
        for i, name in enumerate(networks):
            if name in measured:
                load = measured[name]
                first_bin[i], end_bin[i] = load.recorded.start, load.recorded.stop
                for part, bins in zip(
                    sums, (load.exact_ns, load.frames, load.error_frames), strict=True
                ):
                    part[i, 1 : len(bins) + 1] = np.cumsum(bins)
                    part[i, len(bins) + 1 :] = part[i, len(bins)]
                for key, spent in load.share_ns.items():
                    frame_ns[key] = spent / max(len(table.groups[key]), 1)
        busy, frames, errors = sums
        wide = min(NOW_BINS, n_bins)
        second = np.zeros(busy.shape)
        second[:, wide:] = (busy[:, wide:] - busy[:, :-wide]) / (wide * BIN_NS)
        peak = np.maximum.accumulate(second, axis=1)
        rises = np.where(np.diff(peak, axis=1, prepend=0.0) > 0, np.arange(n_bins + 1), 0)
        return Traffic(
            networks=tuple(networks),
            busy_ns=busy,
            frames=frames - errors,
            errors=errors,
            peak=peak,
            peak_bin=np.maximum.accumulate(rises, axis=1),
            first_bin=first_bin,
            end_bin=end_bin,
            frame_ns=frame_ns,
            measured=measured,
            recorded=frozenset(name for i, name in enumerate(networks) if frames[i, -1]),
        )

    def at(self, t_ns: int) -> tuple[Load, ...]:
        """The load of every network at a moment."""
        end = self._bin(t_ns)
        return tuple(self._load(i, name, end) for i, name in enumerate(self.networks))

    def curve(self, network: str, columns: int) -> F64:
        """Load of one network over the whole capture in equal columns; ``(columns,)``."""
        sums = self.busy_ns[self.networks.index(network)]
        edges = np.linspace(0, len(sums) - 1, columns + 1)
        inside = np.interp(edges, np.arange(len(sums)), sums)
        width = max(float(edges[1] - edges[0]) * BIN_NS, 1.0)
        return np.asarray(np.diff(inside) / width)

    def mean(self, a_ns: int, b_ns: int) -> F64:
        """Mean load of each network between two moments, to the nearest bins; ``(n_networks,)``.

        Over what was recorded of the network in between; 0 when that is nothing.
        """
        a, b = self._bin(a_ns), self._bin(b_ns)
        spent = self.busy_ns[:, b] - self.busy_ns[:, a]
        bins = np.minimum(b, self.end_bin) - np.maximum(a, self.first_bin)
        return np.asarray(spent / (np.maximum(bins, 1) * BIN_NS))

    def highest(self, a_ns: int, b_ns: int) -> F64:
        """The highest second of each network that ends between two moments; ``(n_networks,)``."""
        a, b = self._bin(a_ns), self._bin(b_ns)
        ends = np.arange(min(a + NOW_BINS, b), b + 1)
        spent = self.busy_ns[:, ends] - self.busy_ns[:, np.maximum(ends - NOW_BINS, 0)]
        return np.asarray(spent.max(axis=1) / (min(NOW_BINS, max(b - a, 1)) * BIN_NS))

    def counts(self, a_ns: int, b_ns: int) -> tuple[I64, I64]:
        """Frames and error frames of each network between two moments, to the nearest bins."""
        a, b = self._bin(a_ns), self._bin(b_ns)
        return self.frames[:, b] - self.frames[:, a], self.errors[:, b] - self.errors[:, a]

    def _bin(self, t_ns: int) -> int:
        return int(min(max(t_ns, 0) // BIN_NS, self.busy_ns.shape[1] - 1))

    def _load(self, i: int, name: str, end: int) -> Load:
        def passed(sums: I64, bins: int) -> tuple[int, int]:
            begin = max(min(int(self.first_bin[i]), end), end - bins)
            return int(sums[i, end] - sums[i, begin]), max(end - begin, 1)

        second, n_second = passed(self.busy_ns, NOW_BINS)
        minute, n_minute = passed(self.busy_ns, MINUTE_BINS)
        frames, _ = passed(self.frames, NOW_BINS)
        return Load(
            network=name,
            now=second / (n_second * BIN_NS),
            minute=minute / (n_minute * BIN_NS),
            peak=float(self.peak[i, end]),
            peak_ns=int(self.peak_bin[i, end]) * BIN_NS,
            frames_per_s=frames / (n_second * BIN_NS / 1e9),
            errors=int(self.errors[i, end]),
            errors_minute=passed(self.errors, MINUTE_BINS)[0],
            recorded=name in self.recorded,
            counted=self.counted,
        )
