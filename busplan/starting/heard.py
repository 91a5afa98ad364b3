"""What captures tell of networks: identifiers, periods, lengths and bit rates, channel by channel.

The rules of this file: channels of different captures are one network when they share identifiers,
those of one capture never;
a channel's name is only a hint, because every capture begins to count at 0. Times [ns].

A bit rate shows where frames follow each other without a gap: then the time from one stamp to the
next is the exact length of a frame, stuff bits included. At a rate that is too low frames would
come faster than they can; at one that is too high none fits but by chance.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from busplan.frames.columns import I64
from busplan.frames.kinds import BRS, ERROR, FD, REMOTE
from busplan.frames.table import FrameTable
from busplan.live.bit_rate import USUAL_BIT_RATES
from busplan.traffic.cycles import measured_cycle

DATA_RATES = (1_000_000, 2_000_000, 4_000_000, 5_000_000, 8_000_000)
"""Bit rates of a data phase that are tried [bit/s]."""
SAMPLE = 200_000
"""Frames of a channel whose distances are looked at."""
_STAMP_NS = 3_000.0
"""Two time stamps may be off by this much together."""
_IMPOSSIBLE = 0.001
"""The most frames that may come faster than a bit rate lets them: stamps are not exact."""
_ENOUGH, _CLEARLY = 8, 5
"""The fewest frames without a gap that show a bit rate, and how many times the next best's."""
_FASTEST = 16
"""The most that a data phase is faster than arbitration: 500 kbit/s and 8 Mbit/s."""
_SHARED = 0.5
"""Channels are one network from this share of the smaller one's identifiers."""

Key = tuple[bool, int]
"""29-bit or not, and the identifier."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One identifier in one capture: frames, commonest length, distances [ns].

    ``cycle_ns`` is the median distance, ``None`` below three frames; ``steady`` whether nearly all
    distances are near it; ``shortest_ns`` the least one.
    """

    frames: int
    length: int
    cycle_ns: int | None
    steady: bool
    shortest_ns: int | None
    fd: bool = False

    def comes_each(self, period_ns: int, tolerance: float = 0.15) -> bool:
        """Whether it can be a message of this period."""
        if self.cycle_ns is None:
            return True
        return abs(self.cycle_ns - period_ns) <= tolerance * period_ns


@dataclass(frozen=True, slots=True)
class BitRates:
    """What distances of frames say: a rate shown by ``frames`` of them, or only the least [bit/s].

    ``data`` is the rate of the data phase where frames have one and it shows.
    """

    rate: int | None
    data: int | None
    frames: int
    least: int


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel of one capture."""

    capture: str
    name: str
    seen: dict[Key, Seen]
    rates: BitRates
    fast: bool
    span_ns: int


@dataclass(slots=True)
class Lane:
    """Channels that carry one network, and what they show together."""

    channels: list[Channel] = field(default_factory=list)
    seen: dict[Key, Seen] = field(default_factory=dict)

    def add(self, channel: Channel) -> None:
        """Take a channel in; of one identifier the capture with most frames counts."""
        self.channels.append(channel)
        for key, seen in channel.seen.items():
            if key not in self.seen or self.seen[key].frames < seen.frames:
                self.seen[key] = seen

    @property
    def names(self) -> tuple[str, ...]:
        """What captures call it."""
        return tuple(dict.fromkeys(c.name for c in self.channels))

    @property
    def rates(self) -> BitRates:
        """The bit rates of the channel that shows most; the rate is left out where two differ."""
        shown = [c.rates for c in self.channels if c.rates.rate is not None]
        least = max((c.rates.least for c in self.channels), default=0)
        if not shown or len({r.rate for r in shown}) > 1:
            return BitRates(None, None, 0, least)
        best = max(shown, key=lambda r: (r.data is not None, r.frames))
        return replace(best, frames=sum(r.frames for r in shown), least=least)

    @property
    def contradictory(self) -> bool:
        """Whether two captures show different bit rates."""
        return len({c.rates.rate for c in self.channels if c.rates.rate is not None}) > 1

    @property
    def fast(self) -> bool:
        """Whether any frame switches to a data bit rate."""
        return any(c.fast for c in self.channels)


def listen(capture: str, table: FrameTable) -> tuple[Channel, ...]:
    """The channels of a capture, in its order, those without data frames left out."""
    found = []
    for index, name in enumerate(table.networks):
        rows = np.flatnonzero(table.network == index)
        groups = {k: r for k, r in table.groups.items() if k.network == name}
        seen = {
            (key.extended, key.identifier): one
            for key, own in groups.items()
            if (one := _seen(table, own)) is not None
        }
        if not seen:
            continue
        times = table.time_ns[rows]
        fast = bool((table.flags[rows] & BRS).any())
        span = int(times[-1] - times[0])
        found.append(Channel(capture, name, seen, bit_rates(table, rows), fast, span))
    return tuple(found)


def _seen(table: FrameTable, rows: I64) -> Seen | None:
    data = rows[(table.flags[rows] & (REMOTE | ERROR)) == 0]
    if not len(data):
        return None
    sizes, counts = np.unique(table.length[data], return_counts=True)
    length = int(sizes[counts.argmax()])
    fd = bool((table.flags[data] & FD).any())
    cycle = measured_cycle(table.time_ns[data]) if len(data) > 2 else None
    if cycle is None:
        return Seen(len(data), length, None, False, None, fd)
    gaps = np.diff(table.time_ns[data])
    steady = float(np.mean(np.abs(gaps - cycle.median_ns) <= 0.25 * cycle.median_ns)) > 0.9
    return Seen(len(data), length, cycle.median_ns, steady, cycle.shortest_ns, fd)


def bit_rates(table: FrameTable, rows: I64) -> BitRates:
    """The bit rates that the distances of frames ``rows`` of one channel, in time order, show."""
    from busplan.wire.exact import exact_bits

    part = table.take(rows[:SAMPLE])
    if len(part) < 2:
        return BitRates(None, None, 0, 0)
    arbitration, data = exact_bits(part)
    gaps = np.diff(part.time_ns).astype(np.float64)
    wrong = (part.flags & ERROR) != 0
    whole = (gaps > 0) & ~wrong[1:] & ~wrong[:-1]
    best = BitRates(None, None, 0, 0)
    for bits, more in ((arbitration[1:], data[1:]), (arbitration[:-1], data[:-1])):
        one = _shown(gaps[whole], bits[whole].astype(np.float64), more[whole].astype(np.float64))
        best = max(best, one, key=lambda r: (r.rate is not None, r.frames, r.least))
    return best


def _shown(gaps: np.ndarray, bits: np.ndarray, data: np.ndarray) -> BitRates:
    """The rate at which most frames follow without a gap, among those that let all of them be."""
    plain = data == 0
    least = 0
    fits: list[tuple[int, int, int]] = []
    for rate in sorted(USUAL_BIT_RATES):
        options = [(0, *_fit(gaps[plain], bits[plain] * 1e9 / rate))]
        for fast in DATA_RATES if not plain.all() else ():
            if rate < fast <= _FASTEST * rate:
                options.append((fast, *_fit(gaps, bits * 1e9 / rate + data * 1e9 / fast)))
        for fast, early, close in options:
            if early <= max(2.0, _IMPOSSIBLE * len(gaps)):
                least = least or rate
                fits.append((close, rate, fast))
    fits.sort(reverse=True)
    if not fits or fits[0][0] < max(_ENOUGH, _CLEARLY * (fits[1][0] if fits[1:] else 0)):
        return BitRates(None, None, 0, least)
    close, rate, fast = fits[0]
    return BitRates(rate, fast or None, close, least)


def _fit(gaps: np.ndarray, wire_ns: np.ndarray) -> tuple[int, int]:
    """How many frames come faster than they can, and how many as fast as they can."""
    late = gaps - wire_ns
    slack = np.maximum(_STAMP_NS, 0.01 * wire_ns)
    return int((late < -slack).sum()), int((np.abs(late) <= slack).sum())


def lanes(channels: Sequence[Channel]) -> list[Lane]:
    """The channels sorted into networks, those with most identifiers first.

    Two channels of one capture are two networks: what both carry, a gateway passes on or identical
    parts send.
    """
    found: list[Lane] = []
    for channel in sorted(channels, key=lambda c: (-len(c.seen), c.capture, c.name)):
        free = [n for n in found if all(c.capture != channel.capture for c in n.channels)]
        best = max(free, key=lambda lane: _alike(lane, channel), default=None)
        if best is None or _alike(best, channel)[0] < _SHARED:
            best = Lane()
            found.append(best)
        best.add(channel)
    return found


def _alike(lane: Lane, channel: Channel) -> tuple[float, bool]:
    """Share of the channel's identifiers that the lane has with the same length, and the name."""
    same = [
        k for k, s in channel.seen.items() if k in lane.seen and lane.seen[k].length == s.length
    ]
    smaller = min(len(lane.seen), len(channel.seen))
    return len(same) / smaller, channel.name in lane.names


def unexplained(lane: Lane, explained: Iterable[Key]) -> tuple[Key, ...]:
    """Identifiers of a lane that nothing explains, in ascending order."""
    return tuple(sorted(set(lane.seen) - set(explained)))
