"""Measured load: how busy each network was, window by window.

A frame counts whole into the window its time stamp falls into. Exact figures count the stuff bits
of the recorded payloads; nominal ones none, worst-case ones as many as identifier and payload
could ever need. Error frames count by :mod:`busplan.wire.lengths`; how long they really were is
not recorded. Frames stamped outside the believable span are left out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from busplan.errors import UsageError
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import ERROR, REMOTE
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Network
from busplan.wire.exact import exact_bits
from busplan.wire.lengths import durations_ns, nominal_table_bits, worst_table_bits
from busplan.wire.load_limit import over_limit
from busplan.wording import percent

WINDOW_NS = 10**9
"""Default window [ns]."""
MOST_WINDOWS = 1 << 22
LEAST_NS = 10_000_000
"""A capture shorter than this is rated over this time, so that one frame is no full load."""
_STEP = 1 << 19
"""Rows handled at a time, which bounds the memory."""
_BITS = {"nominal": nominal_table_bits, "exact": exact_bits, "worst": worst_table_bits}

_MOST_BITS = 1024
"""More bits than any frame has: the longest of CAN FD has 736."""

Told = Callable[[int], None]
"""Is told the number of frames counted since the last time; may raise to end the counting."""


class Rates(NamedTuple):
    """Bit rates of a network [bit/s]; ``data`` is ``None`` on a classical network."""

    nominal: int
    data: int | None = None


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class MeasuredLoad:
    """Time on the wire of one network [ns], by window.

    ``width_ns`` is each window's length: the last one takes in what is left of the span, so it may
    be longer or shorter. ``exact_ns`` and its sisters, ``frames``, ``remote_frames`` and
    ``error_frames`` have the shape ``(n_windows,)``. ``share_ns`` is the exact time of each
    identifier. All networks share one grid of windows; ``first_ns`` and ``last_ns`` are the first
    and last frame of this one, between which it was recorded.
    """

    network: str
    rates: Rates
    start_ns: int
    window_ns: int
    width_ns: I64
    nominal_ns: I64
    exact_ns: I64
    worst_ns: I64
    frames: I64
    remote_frames: I64
    error_frames: I64
    share_ns: Mapping[FrameKey, int]
    first_ns: int
    last_ns: int

    def __repr__(self) -> str:
        windows = f"{len(self.frames):,} windows of {self.window_ns / 1e9:g} s"
        told = f"mean {percent(self.mean())}, peak {percent(self.peak[0])}"
        return f"<MeasuredLoad of {self.network!r}: {told}, {windows}>"

    @property
    def exact(self) -> npt.NDArray[np.float64]:
        """Exact load of each window, 0 to 1 and above when stamps are bunched."""
        return self.exact_ns / self.width_ns

    @property
    def span_ns(self) -> int:
        """How long the network was recorded: from its first frame to its last, a window at least.

        Adapters begin and end at their own times; what one of them missed was not quiet.
        """
        return max(self.last_ns - self.first_ns + 1, min(self.window_ns, int(self.width_ns.sum())))

    @property
    def recorded(self) -> slice:
        """The windows that its recorded time touches."""
        last = len(self.width_ns) - 1
        first = min((self.first_ns - self.start_ns) // self.window_ns, last)
        return slice(first, min((self.last_ns - self.start_ns) // self.window_ns, last) + 1)

    def coarser(self, factor: int) -> MeasuredLoad:
        """The same in windows ``factor`` times as long, as if measured so."""
        ends = _windows(int(self.width_ns.sum()), factor * self.window_ns)
        starts = np.arange(len(ends)) * factor

        def joined(bins: I64) -> I64:
            return np.add.reduceat(bins, starts)

        return replace(
            self,
            window_ns=factor * self.window_ns,
            width_ns=ends,
            nominal_ns=joined(self.nominal_ns),
            exact_ns=joined(self.exact_ns),
            worst_ns=joined(self.worst_ns),
            frames=joined(self.frames),
            remote_frames=joined(self.remote_frames),
            error_frames=joined(self.error_frames),
        )

    def mean(self, kind: str = "exact") -> float:
        """Load over the time it was recorded; ``kind`` is ``nominal``, ``exact`` or ``worst``."""
        busy: I64 = getattr(self, f"{kind}_ns")
        return int(busy.sum()) / self.span_ns

    def share(self, key: FrameKey) -> float:
        """An identifier's part of the time its network was recorded, exact."""
        return self.share_ns.get(key, 0) / self.span_ns

    @property
    def peak(self) -> tuple[float, int]:
        """The highest exact load of a window, and when that window began [ns]."""
        at = int(self.exact.argmax())
        return float(self.exact[at]), self.start_ns + at * self.window_ns


def rates_of(networks: Mapping[str, Network]) -> dict[str, Rates]:
    """The bit rates a plan states."""
    return {n.name: Rates(n.bit_rate, n.data_bit_rate) for n in networks.values()}


def measured_load(
    table: FrameTable,
    rates: Mapping[str, Rates],
    window_ns: int = WINDOW_NS,
    *,
    exact_only: bool = False,
    told: Told | None = None,
) -> dict[str, MeasuredLoad]:
    """Load over time of every network in the table whose bit rate is known.

    With ``exact_only``, a third of the work, ``nominal_ns`` and ``worst_ns`` stay zero.
    Raises :class:`UsageError` for a window that is not positive or splits the span into millions.
    """
    if window_ns <= 0:
        raise UsageError("the window must be longer than 0")
    start, end = table.believable
    span = end - start + 1
    windows = max(1, -(-span // window_ns))
    if windows > MOST_WINDOWS:
        raise UsageError(
            f"a window of {window_ns / 1e6:g} ms splits {span / 1e9:.0f} s into "
            f"{windows} parts; at most {MOST_WINDOWS} are kept, choose a longer one"
        )
    width = _windows(span, window_ns)
    names = [name for name in table.networks if name in rates]
    if not names:
        if told is not None:
            told(len(table))
        return {}
    kinds = ("exact",) if exact_only else tuple(_BITS)
    sums = _Sums(len(names) * len(width))
    last = start + int(width.sum()) - 1
    # Of every row: where its network's windows begin, and what a number of bits takes there.
    place = np.array([names.index(n) if n in rates else -1 for n in table.networks], np.int64)
    slow, fast = _durations([rates[name] for name in names])
    group, keys = _group_of_rows(table)
    shares = np.zeros(len(keys) + 1)
    for first in range(0, len(table), _STEP):
        part = table.take(slice(first, first + _STEP))
        network = place[part.network]
        window = np.minimum((part.time_ns - start) // window_ns, len(width) - 1)
        inside = (network >= 0) & (part.time_ns >= start) & (part.time_ns <= last)
        cell = np.where(inside, network * len(width) + window, len(names) * len(width))
        for kind in kinds:
            arbitration, data = _BITS[kind](part)
            spent = slow[network, arbitration] + fast[network, data]
            # Sums stay far below 2**53, so the doubles of bincount are exact.
            sums.busy[kind] += sums.of(cell, spent)
            if kind == "exact":
                mine = group[first : first + _STEP]
                shares += np.bincount(mine, np.where(inside, spent, 0), len(shares))
        sums.frames += sums.of(cell)
        for counts, flag in ((sums.remote, REMOTE), (sums.error, ERROR)):
            hits = (part.flags & flag) != 0
            if hits.any():
                counts += sums.of(cell[hits])
        if told is not None:
            told(len(part))
    spans = recorded_spans(table)
    own = dict(zip(keys, shares[:-1].astype(np.int64).tolist(), strict=True))
    found = {}
    for i, name in enumerate(names):
        here = slice(i * len(width), (i + 1) * len(width))
        found[name] = MeasuredLoad(
            network=name,
            rates=rates[name],
            start_ns=start,
            window_ns=window_ns,
            width_ns=width,
            nominal_ns=sums.busy["nominal"][here],
            exact_ns=sums.busy["exact"][here],
            worst_ns=sums.busy["worst"][here],
            frames=sums.frames[here],
            remote_frames=sums.remote[here],
            error_frames=sums.error[here],
            share_ns={key: spent for key, spent in own.items() if key.network == name},
            first_ns=spans.get(name, (start, end))[0],
            last_ns=spans.get(name, (start, end))[1],
        )
    return found


def recorded_spans(table: FrameTable) -> dict[str, tuple[int, int]]:
    """First and last believable time of every network that has a frame, error frames included."""
    low, high = table.believable
    found: dict[str, tuple[int, int]] = {}

    def widen(name: str, times: I64) -> None:
        inside = times[slice(*np.searchsorted(times, (low, high + 1)))]
        if len(inside):
            first, last = found.get(name, (int(inside[0]), int(inside[-1])))
            found[name] = min(first, int(inside[0])), max(last, int(inside[-1]))

    for key, rows in table.groups.items():
        widen(key.network, table.time_ns[rows])
    errors = np.flatnonzero(table.flags & ERROR)
    for number in np.unique(table.network[errors]).tolist():
        mine = errors[table.network[errors] == number]
        widen(table.networks[number], np.sort(table.time_ns[mine]))
    return found


class _Sums:
    """Sums over the windows of all networks, one after the other, and a last one for the rest."""

    def __init__(self, cells: int) -> None:
        self._cells = cells + 1
        self.busy = {kind: self.of(np.empty(0, np.int64)) for kind in _BITS}
        self.frames, self.remote, self.error = (self.of(np.empty(0, np.int64)) for _ in range(3))

    def of(self, cell: I64, weight: I64 | None = None) -> I64:
        """Sums of ``weight``, or numbers of rows, by ``cell``."""
        return np.bincount(cell, weight, self._cells).astype(np.int64)


def _durations(rates: Sequence[Rates]) -> tuple[I64, I64]:
    """Time on the wire by network and number of bits, of both parts of a frame: (n, bits)."""
    bits, none = np.arange(_MOST_BITS), np.zeros(_MOST_BITS, np.int64)
    slow = [durations_ns(bits, none, r.nominal, r.data) for r in rates]
    fast = [durations_ns(none, bits, r.nominal, r.data) for r in rates]
    # The last row is for networks whose rate nobody knows.
    return np.array([*slow, none]), np.array([*fast, none])


def _group_of_rows(table: FrameTable) -> tuple[npt.NDArray[Any], list[FrameKey]]:
    """The number of each row's identifier among the keys; their count where it has none."""
    keys = list(table.groups)
    kind = np.dtype(np.int64 if len(keys) >> 16 else np.uint16)
    group: npt.NDArray[Any] = np.full(len(table), len(keys), kind)
    for number, rows in enumerate(table.groups.values()):
        group[rows] = number
    return group, keys


def _windows(span_ns: int, window_ns: int) -> I64:
    """Lengths of the windows that make up a span."""
    windows = max(1, -(-span_ns // window_ns))
    width = np.full(windows, window_ns, np.int64)
    rest = span_ns - (windows - 1) * window_ns
    if 2 * rest < window_ns and windows > 1:
        # A short rest would make a peak of a single frame; it joins the window before.
        width = width[:-1]
        width[-1] += rest
    else:
        width[-1] = rest if windows > 1 else max(rest, min(window_ns, LEAST_NS))
    return width


def load_findings(load: MeasuredLoad, limit: float, origin_ns: int) -> list[Finding]:
    """What a measured load says against its limit, and error frames."""
    findings = []
    peak, at_ns = load.peak
    mean = load.mean()
    windows = load.exact[load.recorded]
    over = int(over_limit(windows, limit).sum())
    where = Where(network=load.network, time_ns=at_ns - origin_ns)
    if over:
        findings.append(
            Finding(
                "measured-load-over-limit",
                Weight.FAULT if over_limit(mean, limit) else Weight.CAUTION,
                where,
                f"{load.network} was over its limit of {percent(limit, 0)} in {over} of "
                f"{len(windows)} windows of {load.window_ns / 1e9:g} s: mean {percent(mean)} over "
                f"the {load.span_ns / 1e9:.1f} s it was recorded, peak {percent(peak)}",
                why="Messages of low priority wait longer than planned or miss their deadline.",
                action="See the biggest shares; move a node or lengthen a cycle time.",
                figures=(
                    Figure("mean", 100 * mean, "%"),
                    Figure("peak", 100 * peak, "%"),
                    Figure("limit", 100 * limit, "%"),
                ),
            )
        )
    errors = int(load.error_frames.sum())
    if errors:
        first = int(np.flatnonzero(load.error_frames)[0])
        findings.append(
            Finding(
                "error-frames",
                Weight.CAUTION,
                Where(
                    network=load.network,
                    time_ns=load.start_ns + first * load.window_ns - origin_ns,
                ),
                f"{errors} error frames on {load.network}, {int(load.error_frames.max())} in the "
                f"worst window of {load.window_ns / 1e9:g} s",
                why="Each one broke a frame that had to be sent again.",
                action="With power off measure 60 Ω across the pair; look for a wrong bit rate, a "
                "long stub or a loose terminator.",
                figures=(Figure("error frames", errors),),
            )
        )
    return findings
