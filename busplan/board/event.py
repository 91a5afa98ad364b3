"""Moments at which something becomes so, to lay two captures side by side by."""

from __future__ import annotations

import numpy as np

from busplan.board.quantities import Quantities
from busplan.board.resolve import Names, read_condition
from busplan.errors import UsageError
from busplan.replay.replay import Replay


def first_moment(replay: Replay, text: str) -> int:
    """When a condition such as ``ContactorState is Closed`` first becomes true [ns].

    A capture that begins with it true has its moment where it becomes true again, else at its
    first value. ``UsageError`` when it never is.
    """
    names = Names(replay.vehicle)
    condition, wrong = read_condition(text, names)
    if condition is None or not names.subjects(condition.subject):
        raise UsageError(f'"{text}": {wrong or "no signal of that name"}')
    track = Quantities(replay).track(condition.subject)
    holds = np.empty(0) if track is None else condition.holds(track, track.value)
    so = np.flatnonzero(holds == 1)
    if track is None or not len(so):
        raise UsageError(f'"{text}" is never so in {replay.source}')
    became = so[(so > 0) & (holds[np.maximum(so - 1, 0)] == -1)]
    return int(track.time_ns[became[0] if len(became) else so[0]])
