"""Behaviours followed live: the verdicts so far, over frames of which only the last are held.

The rules of this file: what is held of the frames is bounded. Until the first are forgotten the
verdicts are those that the whole capture gives; from then on what was found is kept as counts, and
each signal's allowed age stays what its first minutes told. A behaviour that would have to look
over more than can be held is given up and says so.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from busplan.answers import Answer
from busplan.behaviour.formula import counters, grown_until, looks_back
from busplan.behaviour.judge import judged_from, slack_ns, verdict_of, weighed
from busplan.behaviour.looking import Weighed
from busplan.behaviour.report import BehaviourReport, Verdict
from busplan.behaviour.signals import Known, Memory, Signals
from busplan.behaviour.tally import Tally
from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import ERROR, EXTENDED
from busplan.frames.table import FrameTable, believable_bounds, concatenate
from busplan.plan.claims import Behaviour, Claim, messages, operands
from busplan.plan.vehicle import Stream, Vehicle
from busplan.transport.j1939 import ETP_CM, ETP_DT, TP_CM, TP_DT

KEEP_NS = 300 * 10**9
"""So much is held at least, where memory allows; twice as much before some is forgotten."""
MOST_FRAMES = 1_000_000
"""Frames held at most, some 50 bytes each: only those of messages that behaviours speak of."""
SETTLED_NS = 5 * 10**9
"""Frames of several networks may come out of order by less than this."""
_CARRIERS = (TP_CM, TP_DT, ETP_CM, ETP_DT)


@dataclass(frozen=True, slots=True)
class _Wanted:
    """Which frames behaviours need: identifiers, and J1939 groups whatever their sender."""

    identifiers: I64
    groups: I64

    @staticmethod
    def of(streams: Iterable[Stream]) -> _Wanted:
        exact, groups = set(), set()
        for stream in streams:
            if stream.message.j1939 is None:
                exact.add(stream.key.identifier | int(stream.key.extended) << 31)
            else:
                groups |= {stream.message.j1939.pgn, *_CARRIERS}
        return _Wanted(np.array(sorted(exact), np.int64), np.array(sorted(groups), np.int64))

    def among(self, table: FrameTable) -> np.ndarray:
        """Which frames of a table are wanted."""
        identifier = table.identifier.astype(np.int64)
        extended = (table.flags & EXTENDED) != 0
        chosen = np.isin(identifier | extended.astype(np.int64) << 31, self.identifiers)
        if len(self.groups):
            group = identifier >> 8 & 0x3FFFF
            group = np.where((group & 0xFF00) < 0xF000, group & 0x3FF00, group)
            chosen |= extended & np.isin(group, self.groups)
        return np.asarray(chosen & ((table.flags & ERROR) == 0))


class _Arrived(NamedTuple):
    """Frames that are wanted, first and last time of all that came, and the last on each network
    that was heard."""

    table: FrameTable
    bounds: tuple[int, int]
    latest: dict[str, int]


def _parts_by_clock(table: FrameTable) -> Iterator[tuple[FrameTable, dict[str, int]]]:
    """What came, apart where a network's time falls by more than frames come out of order, with
    the last time on each network."""
    heard = (table.flags & ERROR) == 0
    rows = {
        int(n): np.flatnonzero(heard & (table.network == n))
        for n in np.unique(table.network[heard])
    }
    back = [r[1:][np.diff(table.time_ns[r]) < -SETTLED_NS] for r in rows.values()]
    cuts = np.unique(np.concatenate(back)).tolist() if back else []
    for begin, end in pairwise([0, *cuts, len(table)]):
        latest = {}
        for network, mine in rows.items():
            times = table.time_ns[mine[(mine >= begin) & (mine < end)]]
            if len(times):
                latest[table.networks[network]] = believable_bounds(times)[1]
        yield table.take(slice(begin, end)), latest


class Following:
    """Behaviours of a vehicle over what comes in; fed from one thread, asked from one other.

    :class:`busplan.errors.PlanError` when signals of different units are compared.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        networks: Sequence[str],
        *,
        keep_ns: int = KEEP_NS,
        most_frames: int = MOST_FRAMES,
    ) -> None:
        self.vehicle = vehicle
        self._keep_ns, self._most = keep_ns, most_frames
        # Filled at one end and emptied at the other: that needs no lock between two threads.
        self._arrived: deque[_Arrived] = deque()
        self._bounds: list[tuple[int, int]] = []
        self._held = FrameTable.empty(tuple(networks))
        self._memory = Memory()
        self._latest: dict[str, int] = {}
        self._begin: int | None = None
        self._cut: int | None = None
        self._tallies: dict[str, Tally] = {}
        self._given_up: dict[str, Verdict] = {}
        self._wanted = _Wanted.of(self._streams())
        # On nothing at all: mistakes show now, and kernels are compiled before frames come.
        signals = Signals(self._held, vehicle)
        for behaviour in vehicle.behaviours:
            verdict_of(Tally(0, 0), weighed(behaviour, signals), signals)

    def _streams(self) -> list[Stream]:
        paths = {
            path
            for b in self._followed
            for claim in b.claims
            for path in (*(o.address[:3] for o in operands(claim)), *messages(claim))
        }
        return [s for s in self.vehicle.streams if s.path in paths]

    def add(self, table: FrameTable) -> None:
        """What has just arrived."""
        if not len(table) or not self.vehicle.behaviours:
            return
        for part, latest in _parts_by_clock(table):
            mine = part.take(self._wanted.among(part)).owned()
            self._arrived.append(_Arrived(mine, believable_bounds(part.time_ns), latest))

    @property
    def frames_held(self) -> int:
        """How many frames are held."""
        return len(self._held) + sum(len(one.table) for one in list(self._arrived))

    def report(self) -> BehaviourReport | None:
        """The verdicts so far; ``None`` before the first frame."""
        self._take()
        if not self._bounds:
            return None
        signals = self._signals()
        begin, end = signals.begin_ns, signals.end_ns
        slack = max((slack_ns(b, signals) for b in self._followed), default=0)
        cut = self._cut_for(end, slack)
        found = dict(self._given_up)
        for behaviour in self._followed:
            tally, w = self._tally(behaviour, signals)
            found[behaviour.name] = verdict_of(tally, w, signals)
            if cut is not None and tally.begin < cut:
                self._tallies[behaviour.name] = tally.counted(w, cut - 1)
        if cut is not None:
            self._forget(signals, cut, slack)
        if len(self._held) > self._most:
            self._give_up_widest(found)
        verdicts = tuple(found[b.name] for b in self.vehicle.behaviours)
        span_s = (end - begin) / 1e9
        vehicle = self.vehicle
        return BehaviourReport(verdicts, vehicle.name, vehicle.invented, span_s, (), begin)

    @property
    def _followed(self) -> list[Behaviour]:
        return [b for b in self.vehicle.behaviours if b.name not in self._given_up]

    def _take(self) -> None:
        """Take over what has arrived."""
        new: list[FrameTable] = []
        for one in [self._arrived.popleft() for _ in range(len(self._arrived))]:
            if any(time < self._latest.get(n, time) - SETTLED_NS for n, time in one.latest.items()):
                self._hold(new)
                new = []
                self._begin_anew(one.bounds[0])
            for network, time in one.latest.items():
                self._latest[network] = max(time, self._latest.get(network, time))
            self._bounds.append(one.bounds)
            self._memory.networks.update(one.latest)
            new.append(one.table)
        self._hold(new)

    def _hold(self, tables: list[FrameTable]) -> None:
        if tables:
            kept = [self._held] if len(self._held) else []
            self._held = concatenate([*kept, *tables])

    def _signals(self) -> Signals:
        begin, end = believable_bounds(np.array(self._bounds, np.int64).reshape(-1))
        begin = begin if self._begin is None else self._begin
        table = replace(self._held, bounds=(begin, end))
        return Signals(table, self.vehicle, self._memory)

    def _tally(self, behaviour: Behaviour, signals: Signals) -> tuple[Tally, Weighed]:
        first = judged_from(behaviour, signals)
        found = self._tallies.get(behaviour.name) or Tally(first, first)
        return found, weighed(behaviour, signals)

    def _begin_anew(self, begin: int) -> None:
        """The clock was set back: what was found stays, and what comes now is a new present."""
        signals = self._signals()
        for behaviour in self._followed:
            tally, w = self._tally(behaviour, signals)
            self._tallies[behaviour.name] = tally.ended(w).begun_anew(begin)
        self._held = self._held.take(slice(0, 0))
        self._memory = Memory(networks=self._memory.networks)
        self._bounds, self._begin, self._cut, self._latest = [], None, None, {}

    def _cut_for(self, end: int, slack: int) -> int | None:
        """Up to when everything can be counted and forgotten; ``None`` while all can be held."""
        held = self._held.time_ns
        since = int(held.min(initial=end)) if self._cut is None else self._cut
        if len(held) <= self._most and end - since <= 2 * self._keep_ns:
            return None
        cut = end - self._keep_ns
        if len(held) > self._most:
            row = len(held) - self._most // 2
            cut = max(cut, int(np.partition(held, row)[row]))
        ahead = max((_looks_ahead(b) for b in self._followed), default=0)
        cut = min(cut, end - ahead - slack - SETTLED_NS)
        return cut if cut > since else None

    def _forget(self, signals: Signals, cut: int, slack: int) -> None:
        """Keep of the frames before ``cut`` only what later moments look back to."""
        allowed: dict[FrameKey, float] = {}
        for behaviour in self._followed:
            for claim in behaviour.claims:
                self._remember(claim, signals, cut)
                for operand in operands(claim):
                    age = signals.traced(operand).allowed_ns
                    for key in signals.keys(operand.address[:3]):
                        allowed[key] = max(allowed.get(key, 0.0), age)
        longest = max((a for a in allowed.values() if np.isfinite(a)), default=0.0)
        back = max((_looks_back(b) for b in self._followed), default=0) + slack
        kept, table = [], signals.messages.frames
        for key, rows in table.groups.items():
            age = int(min(allowed.get(key, longest), 2.0**60))
            first = int(np.searchsorted(table.time_ns[rows], cut - back - age))
            # The last one before it says what held then, and that it came at all.
            kept.append(rows[max(first - 1, 0) :])
        rows = np.sort(np.concatenate(kept)) if kept else np.empty(0, np.int64)
        self._held = self._held.take(rows).owned()
        self._bounds = [b for b in self._bounds if b[1] >= cut]
        self._begin, self._cut = signals.begin_ns, cut

    def _remember(self, claim: Claim, signals: Signals, cut: int) -> None:
        for operand in operands(claim):
            traced = signals.traced(operand)
            if traced.first_ns is not None and np.isfinite(traced.period_ns) and traced.reading:
                known = Known(traced.reading, traced.first_ns, traced.allowed_ns, traced.period_ns)
                self._memory.signals.setdefault(operand, known)
        for counts in counters(claim):
            grown = grown_until(counts, signals, cut - 1)
            if grown is not None:
                self._memory.grown[counts.signal, counts.source] = grown

    def _give_up_widest(self, found: dict[str, Verdict]) -> None:
        """No longer follow the behaviour that looks over the longest time."""
        widest = max(self._followed, key=lambda b: _looks_back(b) + _looks_ahead(b), default=None)
        if widest is None:
            self._held = self._held.take(slice(0, 0))
            return
        verdict = found[widest.name]
        over_s = (_looks_back(widest) + _looks_ahead(widest)) / 1e9
        if verdict.answer is not Answer.BAD:
            reason = f"it looks over {over_s:g} s, more than is held live: judge the recording"
            verdict = replace(verdict, answer=Answer.NOT_SHOWN, reason=reason)
        self._given_up[widest.name] = found[widest.name] = verdict
        self._wanted = _Wanted.of(self._streams())


def _looks_ahead(behaviour: Behaviour) -> int:
    return (behaviour.within_ns or 0) + (behaviour.stays_ns or 0)


def _looks_back(behaviour: Behaviour) -> int:
    return max(map(looks_back, behaviour.claims)) + (behaviour.before_ns or 0)
