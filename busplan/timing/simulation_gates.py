"""Which session follows which: the order of those that go one at a time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from busplan.frames.columns import I64
from busplan.timing.simulation_input import Feed


class Gates(NamedTuple):
    """Arrays as in :class:`busplan.timing.simulation_setup.Setup`; ``known``: how many instances
    of each first frame wait for nobody."""

    first: I64
    to: I64
    known: Mapping[int, int]


def gates_of(feeds: Sequence[Feed]) -> Gates:
    """Sessions of each chain in the order in which they are queued, equal times as feeds stand.

    The first frame of a session has the times, the last one is marked.
    """
    begins: dict[str, int] = {}
    ends: dict[str, int] = {}
    chains: dict[tuple[str, ...], list[int]] = {}
    for i, feed in enumerate(feeds):
        if not feed.chain:
            continue
        if feed.forwards is None:
            begins[feed.part_of] = i
            chains.setdefault(feed.chain, []).append(i)
        if feed.ends:
            ends[feed.part_of] = i
    first = np.full(len(feeds), -1, np.int64)
    to = []
    known = {}
    room = 0
    for members in chains.values():
        of = np.concatenate([np.full(len(feeds[i].queued_ns), i) for i in members])
        times = np.concatenate([feeds[i].queued_ns for i in members])
        order = of[np.argsort(times, kind="stable")]
        after = np.append(order[1:], -1)
        for i in members:
            mine = after[: len(order)][order == i]
            first[ends[feeds[i].part_of]] = room
            room += len(mine)
            to.append(mine)
            known[i] = int(len(order) > 0 and order[0] == i)
    return Gates(first, np.concatenate([np.empty(0, np.int64), *to]).astype(np.int64), known)
