"""Where the clock of a recording was set back, so that its times hold for parts only.

By their times the frames before and after lie among each other: counters skip and rhythms break by
the clock's doing and not the sender's. Frames that were only written late lie where nothing else of
their message does, and are no step of a clock. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from busplan.capture.trust import JITTER_NS
from busplan.frames.columns import I64
from busplan.frames.kinds import ERROR, SENT
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Vehicle
from busplan.wording import counted, plain

ALIKE = 3
"""Frames of one message that come by turns from before and after more often than this show it."""
MOST_STEPS = 100
"""Only so many steps back, the largest, are looked at: each costs a look at all frames."""
_ROWS_AT_ONCE = 1 << 20


@dataclass(frozen=True, eq=False)
class OneClock:
    """The longest part with one clock of a recording that has several."""

    part: FrameTable
    steps: int
    number: int
    length_s: float
    left_out_s: float

    @property
    def told(self) -> str:
        """What is judged of it."""
        return (
            f"the clock of the recording was set back {counted(self.steps, 'time')}: judged are "
            f"the {plain(self.length_s, 3)} s of part {self.number} of {self.steps + 1}, from "
            f"whose first frame times count here; {plain(self.left_out_s, 3)} s were not"
        )


def longest_of_one_clock(
    table: FrameTable, networks: Collection[str], identifiers: Collection[int] | None = None
) -> OneClock | None:
    """By the frames on some networks, of some identifiers alone; ``None``: no clock was set back.

    A stale frame with a time far off is none of it (:attr:`FrameTable.believable`).
    """
    if not _steps_back(table.time_ns):
        return None
    numbers = [i for i, name in enumerate(table.networks) if name in networks]
    chosen = np.isin(table.network, numbers) & ((table.flags & (SENT | ERROR)) == 0)
    earliest, latest = table.believable
    chosen &= (table.time_ns >= earliest) & (table.time_ns <= latest)
    if identifiers is not None:
        chosen &= np.isin(table.identifier, list(identifiers))
    rows = np.flatnonzero(chosen)
    if not len(rows):
        return None
    named = table.identifier[rows].astype(np.int64) + (table.network[rows].astype(np.int64) << 32)
    steps = steps_of_clock(table.time_ns[rows], named)
    if not len(steps):
        return None
    # Frames that were not chosen may lie between the step and the first chosen one after it.
    cuts = [
        before + 1 + int(np.diff(table.time_ns[before : after + 1]).argmin())
        for before, after in zip(rows[steps - 1].tolist(), rows[steps].tolist(), strict=True)
    ]
    parts = [table.take(slice(a, b)) for a, b in pairwise([0, *cuts, len(table)])]
    lengths = [part.span_ns / 1e9 for part in parts]
    best = int(np.argmax(lengths))
    return OneClock(parts[best], len(steps), best + 1, lengths[best], sum(lengths) - lengths[best])


def carried_on(
    paths: Collection[tuple[str, str, str]], vehicle: Vehicle
) -> tuple[frozenset[str], frozenset[int]]:
    """The networks and identifiers of some messages (network, node, message)."""
    keys = [s.key for s in vehicle.streams if s.path in paths]
    return frozenset(k.network for k in keys), frozenset(k.identifier for k in keys)


def _steps_back(time_ns: I64) -> bool:
    """Whether a time lies before the one before it by more than an ordinary blemish."""
    return any(
        bool((np.diff(time_ns[at : at + _ROWS_AT_ONCE + 1]) < -JITTER_NS).any())
        for at in range(0, len(time_ns), _ROWS_AT_ONCE)
    )


def steps_of_clock(time_ns: I64, identifier: I64) -> I64:
    """Rows before which the clock was set back, of frames (n,) in the order they were written."""
    found = []
    begin = 0
    by = np.diff(time_ns)
    back = np.flatnonzero(by < -JITTER_NS)
    largest = np.argsort(by[back], kind="stable")[:MOST_STEPS]
    for row in (np.sort(back[largest]) + 1).tolist():
        before, after = slice(begin, row), slice(row, None)
        reached = int(time_ns[before].max())
        if time_ns[after].max() < time_ns[before].min() or _among_each_other(
            *(
                (time_ns[part][chosen], identifier[part][chosen])
                for part, chosen in (
                    (before, time_ns[before] >= time_ns[row]),
                    (after, time_ns[after] <= reached),
                )
            )
        ):
            found.append(row)
            begin = row
    return np.array(found, np.int64)


def _among_each_other(one: tuple[I64, I64], other: tuple[I64, I64]) -> bool:
    """Whether frames of one identifier come by turns from two parts, each (times, identifiers)."""
    names, counts = np.unique(np.concatenate([one[1], other[1]]), return_counts=True)
    name = names[counts.argmax()]
    mine, others = (times[names == name] for times, names in (one, other))
    part = np.repeat([0, 1], [len(mine), len(others)])
    part = part[np.argsort(np.concatenate([mine, others]), kind="stable")]
    return bool((np.diff(part) != 0).sum() > ALIKE)


def rows_of_one_clock(table: FrameTable, rows: I64) -> I64:
    """Of an identifier's rows, in time order, those of the longest part with one clock."""
    if len(rows) < 2 * ALIKE or not (np.diff(rows) < 0).any():
        return rows
    written = np.sort(rows)
    times = table.time_ns[written]
    steps = steps_of_clock(times, np.zeros(len(times), np.int64))
    if not len(steps):
        return rows
    part: I64 = max(np.split(written, steps), key=len)
    return part[np.argsort(table.time_ns[part], kind="stable")]
