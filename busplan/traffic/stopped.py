"""Where everything stopped at once and went on: what it can have been, and what to judge then.

A recording that stopped, a vehicle that slept, a bus that all lost and a clock that was set forward
look alike: several nodes are silent in the same stretch, in which nobody else sends either. That
accuses no single node, and how long it lasted nobody knows. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from busplan.frames.columns import F64, I64
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import ERROR, SENT
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream, Vehicle
from busplan.traffic.silence import allowed_of
from busplan.wording import counted, plain

WITNESSES = 2
"""Nodes that must have been silent in it: one alone may have been so by its own doing."""
SHORTEST_NS = 20_000_000
"""No rule of silence is broken by less."""
LITTLE = 0.01
"""Pauses of no more than this share of what is judged hardly move its times, whatever they were."""
MOST_CUTS = 100
"""A recording is parted at so many pauses: each costs a look at all."""
CAUSES = (
    "the recording stopped, the vehicle slept, all lost the bus or its supply, "
    "or the clock was set forward"
)
"""What it can have been."""


@dataclass(frozen=True, eq=False)
class Unpaused:
    """What is judged of a recording with ``pauses`` (k, 2) [ns] of everybody.

    ``number`` is which of ``parts`` it is; 1 of 1 where the pauses are short beside all of it.
    ``others``: the rest, as parts of their own.
    """

    part: FrameTable
    others: tuple[FrameTable, ...]
    pauses: I64
    number: int
    parts: int
    length_s: float
    left_out_s: float
    origin_ns: int

    @property
    def paused(self) -> str:
        """What happened, and what it can have been."""
        lengths = self.pauses[:, 1] - self.pauses[:, 0]
        longest = int(lengths.argmax())
        at = plain((int(self.pauses[longest, 0]) - self.origin_ns) / 1e9, 3)
        once = len(lengths) == 1
        often, most = ("", "") if once else (f" {counted(len(lengths), 'time')},", " at most,")
        return (
            f"nothing came of anybody{often} for {plain(int(lengths[longest]) / 1e9, 3)} s{most} "
            f"from {at} s on: {CAUSES}"
        )

    @property
    def told(self) -> str:
        """The same, and which part is judged where it is not all."""
        if self.parts == 1:
            return self.paused
        since = ", from whose first frame times count here" if self.number > 1 else ""
        return (
            f"{self.paused}; judged are the {plain(self.length_s, 3)} s of part {self.number} of "
            f"{self.parts}{since}; {plain(self.left_out_s, 3)} s were not"
        )


def common_pauses(table: FrameTable, streams: Iterable[Stream]) -> I64:
    """From when to when [ns] nobody sent anything while several nodes were due, (k, 2).

    ``streams`` are those of the plan. Due is what it states, or the rhythm of a message, by
    :mod:`busplan.traffic.silence`.
    """
    earliest, latest = table.believable
    time = table.time_ns[(table.time_ns >= earliest) & (table.time_ns <= latest)]
    if (np.diff(time) < 0).any():  # several adapters in one file
        time = np.sort(time)
    rows = np.flatnonzero(np.diff(time) > SHORTEST_NS)
    gaps = np.column_stack((time[rows], time[rows + 1]))
    if not len(gaps):
        return gaps
    by_key: dict[FrameKey, list[Stream]] = {}
    for stream in streams:
        by_key.setdefault(stream.key, []).append(stream)
    seen: dict[tuple[str, str], list[I64]] = {}
    for key, mine in table.groups.items():
        times = table.time_ns[mine[(table.flags[mine] & (SENT | ERROR)) == 0]]
        times = times[(times >= earliest) & (times <= latest)]
        senders = by_key.get(key, [])
        stated = next((s.cycle for s in senders if s.cycle), None)
        if len(times) > 1 and not any(s.event for s in senders):
            node = (key.network, senders[0].node if senders else "")
            seen.setdefault(node, []).append(_explained(times, allowed_of(stated, times), gaps))
    witnesses = np.zeros(len(gaps), np.int64)
    for found in seen.values():
        witnesses[np.unique(np.concatenate(found))] += 1
    return np.asarray(gaps[witnesses >= WITNESSES], np.int64)


def _explained(times: I64, allowed_ns: float, gaps: I64) -> I64:
    """The gaps (k, 2) of everybody without which a message would not have been silent."""
    rows = np.flatnonzero(np.diff(times) > allowed_ns)
    first, stop = (np.searchsorted(gaps[:, 0], times[rows + i]) for i in (0, 1))
    rows, first, stop = (each[first < stop] for each in (rows, first, stop))
    if not len(rows):
        return rows
    lengths = gaps[:, 1] - gaps[:, 0]
    order = np.argsort(lengths, kind="stable")
    rank = np.empty(len(gaps) + 1, np.int64)
    rank[order], rank[-1] = np.arange(len(gaps)), -1
    longest = order[np.maximum.reduceat(rank, np.column_stack((first, stop)).ravel())[::2]]
    rest = times[rows + 1] - times[rows] - lengths[longest]
    return np.asarray(longest[rest <= allowed_ns], np.int64)


def shared(pauses: F64 | I64, begin: F64 | I64, end: F64 | I64) -> F64:
    """How much of each stretch (n,) pauses (k, 2) take, in their unit; they follow each other."""
    if not len(pauses):
        return np.zeros(len(begin))
    taken = np.repeat(np.cumsum(pauses[:, 1] - pauses[:, 0]), 2)
    taken[0::2] -= pauses[:, 1] - pauses[:, 0]
    before, after = (np.interp(at, pauses.ravel(), taken) for at in (begin, end))
    return np.asarray(after - before, np.float64)


def _between(table: FrameTable, start_ns: int, stop_ns: int) -> FrameTable:
    return table.take(np.flatnonzero((table.time_ns >= start_ns) & (table.time_ns <= stop_ns)))


def longest_unpaused(
    table: FrameTable, vehicle: Vehicle, *, little: float = LITTLE
) -> Unpaused | None:
    """What can be judged of a recording in which everybody paused; ``None``: nobody did.

    All of it where the pauses are no more than ``little`` of it, a share, else the longest part
    between some of them.
    """
    pauses = common_pauses(table, vehicle.streams)
    if not len(pauses):
        return None
    begin, end = table.believable
    spans, number = [(begin, end)], 0
    while len(spans) <= MOST_CUTS:
        start, stop = spans[number]
        inside = pauses[(pauses[:, 0] >= start) & (pauses[:, 1] <= stop)]
        lengths = inside[:, 1] - inside[:, 0]
        if lengths.sum() <= little * (stop - start):
            break
        worst = inside[lengths.argmax()].tolist()
        spans[number : number + 1] = [(start, worst[0]), (worst[1], stop)]
        number = max(range(len(spans)), key=lambda n: spans[n][1] - spans[n][0])
    start, stop = spans[number]
    part, others = table, list[FrameTable]()
    if len(spans) > 1:
        parts = [_between(table, *span) for span in spans]
        part, others = parts[number], parts[:number] + parts[number + 1 :]
    lengths_s = [(b - a) / 1e9 for a, b in spans]
    return Unpaused(
        part=part,
        others=tuple(others),
        pauses=pauses,
        number=number + 1,
        parts=len(spans),
        length_s=lengths_s[number],
        left_out_s=sum(lengths_s) - lengths_s[number],
        origin_ns=table.origin_ns,
    )
