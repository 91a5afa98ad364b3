"""The message lines of a vehicle and a capture: what is expected, what came, and when it is stale.

One line stands for one (network, identifier). Its senders are the plan's streams whose frames come
under it: none for a frame nobody defines, several for a clash.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from busplan.decode.match import streams_by_key
from busplan.definitions.model import Message, Stated
from busplan.frames.columns import I64, Mask
from busplan.frames.identifier import FrameKey, format_identifier
from busplan.plan.vehicle import Stream, Vehicle, arbitration_rank
from busplan.replay.index import FrameIndex
from busplan.traffic.silence import allowed_ns, rhythm_positions

CYCLE_GAPS = 16
"""The measured cycle is the median of up to this many last gaps."""
RECENT_NS = 1_000_000_000
"""What changed within this time changed "just now"."""
NEVER = np.iinfo(np.int64).max
"""Age of what has not come yet."""
NO_POSITION = np.empty(0, np.int64)


@dataclass(frozen=True, slots=True)
class Line:
    """One identifier on one network: what the plan says of it, and its frames' place in the index.

    ``k`` is its number among the index's keys, −1 when the capture holds none of its frames.
    """

    key: FrameKey
    streams: tuple[Stream, ...]
    k: int
    parts: bool = False
    """Whether its frames only carry parts of messages, which have lines of their own."""

    @property
    def message(self) -> Message | None:
        """What its frames carry; ``None`` when no definition fits."""
        return self.streams[0].message if self.streams else None

    @property
    def name(self) -> str:
        """The message's name, ``(parts)`` of frames that only carry parts, or ``?``."""
        if self.streams:
            return self.streams[0].message.name
        return "(parts)" if self.parts else "?"

    @property
    def senders(self) -> str:
        """The nodes that send it; more than one is a clash."""
        return "+".join(s.node for s in self.streams) or "?"

    @property
    def label(self) -> str:
        """The identifier as the trade writes it."""
        return format_identifier(self.key.identifier, self.key.extended)

    @property
    def cycle(self) -> Stated | None:
        """The period somebody states, of a message that is sent cyclically."""
        stream = self.streams[0] if self.streams else None
        return stream.cycle if stream and not stream.event else None


@dataclass(frozen=True, eq=False)
class Ages:
    """How all lines stand at a moment; arrays of shape ``(n_lines,)``.

    ``position`` is that of the last frame in the index, −1 when none has come; ``age_ns`` is
    :data:`NEVER` then. ``earlier`` is the position a second before. ``cycle_ns`` is
    measured, NaN with fewer than two frames.
    """

    position: I64
    earlier: I64
    count: I64
    age_ns: I64
    cycle_ns: npt.NDArray[np.float64]
    stale: Mask


@dataclass(frozen=True, slots=True)
class Silence:
    """A node that has stopped sending on a network: all its cyclic messages are stale.

    ``since_ns`` is the time of its last frame, below zero where a live memory has forgotten it,
    ``None`` when it has not been heard at all. ``whole`` says that it is one of several nodes that
    were heard on the network, all of which are silent.
    """

    network: str
    node: str
    since_ns: int | None
    whole: bool = False


@dataclass(frozen=True, eq=False)
class Lines:
    """All lines, by network in plan order and by arbitration within it."""

    lines: tuple[Line, ...]
    index: FrameIndex
    gone: Mapping[FrameKey, int] = field(default_factory=dict)
    """When the last frame came [ns] of what a live memory has forgotten, below zero."""

    @staticmethod
    def of(
        vehicle: Vehicle, index: FrameIndex, gone: Mapping[FrameKey, int] | None = None
    ) -> Lines:
        """What the plan's nodes send and what the capture holds, as decoding joins them."""
        streams = streams_by_key(index.messages, vehicle)
        gone = {k: t for k, t in (gone or {}).items() if k not in index.number}
        keys = dict.fromkeys([*streams, *index.keys, *gone])
        order = {name: i for i, name in enumerate(vehicle.networks)}
        carriers = index.messages.carriers
        lines = [
            Line(key, streams.get(key, ()), index.number.get(key, -1), key in carriers)
            for key in keys
        ]
        lines.sort(key=lambda line: (order.get(line.key.network, len(order)), _rank(line.key)))
        return Lines(tuple(lines), index, gone)

    @cached_property
    def number(self) -> dict[FrameKey, int]:
        """Key → its place in ``lines``."""
        return {line.key: i for i, line in enumerate(self.lines)}

    @cached_property
    def tracks(self) -> dict[Any, Any]:
        """What has been read of whole signals, kept as long as the capture; see ``track.py``."""
        return {}

    @cached_property
    def _k(self) -> I64:
        return np.array([line.k for line in self.lines], np.int64)

    @cached_property
    def allowed_ns(self) -> npt.NDArray[np.float64]:
        """How long each line may be without a frame; infinite for those nobody defines."""
        allowed = np.full(len(self.lines), np.inf)
        first, last = (ends.tolist() for ends in self.index.bounds)
        defined = [i for i, line in enumerate(self.lines) if line.streams]
        at = []
        for i in defined:
            k = self.lines[i].k
            at.append(rhythm_positions(last[k] - first[k]) + first[k] if k >= 0 else NO_POSITION)
        every = np.concatenate([NO_POSITION, *at])
        gaps = self.index.times_at(every) - self.index.times_at(every - 1)
        end = 0
        for i, positions in zip(defined, at, strict=True):
            begin, end = end, end + len(positions)
            allowed[i] = allowed_ns(self.lines[i].cycle, gaps[begin:end])
        return allowed

    @property
    def allowed_by_key(self) -> dict[FrameKey, float]:
        """The same of all that somebody sends in a stated cycle."""
        allowed = zip(self.lines, self.allowed_ns.tolist(), strict=True)
        return {line.key: ns for line, ns in allowed if line.cycle}

    def at(self, t_ns: int) -> Ages:
        """How every line stands at a moment."""
        seen = self._k >= 0
        k = np.where(seen, self._k, 0)
        n_lines = len(self.lines)
        if not len(self.index.rows):
            none = np.full(n_lines, -1, np.int64)
            never = np.full(n_lines, NEVER, np.int64)
            return Ages(
                none, none, none + 1, never, np.full(n_lines, np.nan), t_ns > self.allowed_ns
            )
        upto, start = self.index.upto(t_ns)[k], self.index.starts[:-1][k]
        count = np.where(seen, upto - start, 0)
        came = count > 0
        position = np.where(came, upto - 1, -1)
        last = self.index.times_at(np.where(came, position, 0))
        age = np.where(came, t_ns - last, NEVER)
        cycle = self._median_gap(position, np.minimum(count - 1, CYCLE_GAPS))
        waited = np.where(came, age, t_ns)
        earlier = self.count(t_ns - RECENT_NS)
        earlier = np.where(earlier > 0, start + earlier - 1, -1)
        return Ages(position, earlier, count, age, cycle, waited > self.allowed_ns)

    def _median_gap(self, position: I64, gaps: I64) -> npt.NDArray[np.float64]:
        """Median of the last ``gaps`` distances before each position; NaN where there is none."""
        back = np.arange(CYCLE_GAPS)
        at = np.where(back < gaps[:, None], position[:, None] - back, 0)
        apart = np.where(
            back < gaps[:, None],
            (self.index.times_at(at) - self.index.times_at(at - 1)).astype(np.float64),
            np.inf,
        )
        apart.sort(axis=1)
        lines, most = np.arange(len(gaps)), np.maximum(gaps, 1)
        middle = (apart[lines, (most - 1) // 2] + apart[lines, most // 2]) / 2
        return np.where(gaps > 0, middle, np.nan)

    def count(self, t_ns: int) -> I64:
        """Frames of each line up to a moment; ``(n_lines,)``."""
        if not len(self.index.rows):
            return np.zeros(len(self.lines), np.int64)
        passed = self.index.upto(t_ns) - self.index.starts[:-1]
        return np.where(self._k >= 0, passed[self._k], 0)

    def silent(self, ages: Ages, recorded: frozenset[str]) -> tuple[Silence, ...]:
        """Nodes all of whose cyclic messages are stale, on networks that were ``recorded``."""
        found = []
        for network, node, members in self._by_node:
            if network in recorded and ages.stale[members].all():
                heard = [p for p in ages.position[members].tolist() if p >= 0]
                before = [self.gone[k] for i in members if (k := self.lines[i].key) in self.gone]
                since = max((*map(self.index.time_at, heard), *before), default=None)
                found.append(Silence(network, node, since))
        once = Counter(s.network for s in found if s.since_ns is not None)
        for network, _, members in self._by_node:
            if once[network] and self._heard(ages, members) and not ages.stale[members].all():
                once[network] = 0
        return tuple(
            replace(s, whole=s.since_ns is not None and once[s.network] > 1) for s in found
        )

    def _heard(self, ages: Ages, members: I64) -> bool:
        """Whether any of some lines has come by then."""
        return bool((ages.position[members] >= 0).any())

    @cached_property
    def _by_node(self) -> list[tuple[str, str, I64]]:
        """Network, node and the numbers of its cyclic messages there."""
        found: dict[tuple[str, str], list[int]] = {}
        for i, line in enumerate(self.lines):
            if line.cycle:
                for stream in line.streams:
                    found.setdefault((line.key.network, stream.node), []).append(i)
        return [(*key, np.array(members)) for key, members in found.items()]


def _rank(key: FrameKey) -> int:
    return arbitration_rank(Message("", key.identifier, key.extended, 0))
