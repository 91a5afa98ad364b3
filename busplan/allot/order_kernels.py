"""The search for an order from the least urgent place upwards, compiled.

Arrays have one entry for each of the network, in order of arbitration as it stands.
"""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import I64, Mask
from busplan.kernels import kernel
from busplan.timing.compiled_fixed_point import priority_responses

Rhythms = tuple[I64, ...]
"""``first`` to ``lead`` as in :func:`busplan.timing.fixed_point.rhythm_work`."""


@kernel
def keeps_deadline(
    i: int,
    above: Mask,
    columns: I64,
    rhythms: Rhythms,
    bit: int,
    fault_every: int,
    fault_cost: int,
    horizon: int,
) -> bool:
    """Whether entry ``i`` is in time when exactly the entries marked in ``above`` go before it.

    ``columns``: single, frame, period, jitter, inherited, deadline, head, joined as in
    :func:`busplan.timing.fixed_point.priority_responses`, shape (8, n).
    """
    n = columns.shape[1]
    order = np.empty(n, np.int64)
    place = 0
    for k in range(n):
        if above[k] and k != i:
            order[place] = k
            place += 1
    order[place] = i
    behind = place + 1
    for k in range(n):
        if not above[k] and k != i:
            order[behind] = k
            behind += 1
    rows = np.empty((8, n), np.int64)
    for row in range(8):
        for k in range(n):
            rows[row, k] = columns[row, order[k]]
    upto = np.full(n, place + 1, np.int64)
    skip = np.ones(n, np.bool_)
    skip[place] = False
    row_of = np.empty(n, np.int64)
    for row in range(n):
        row_of[order[row]] = row
    results = np.zeros((3, n), np.int64)
    return priority_responses(
        upto,
        rows[0],
        rows[1],
        rows[2],
        rows[3],
        rows[4],
        rows[5],
        rows[6],
        skip,
        rows[7] > 0,
        rhythms[0],
        rhythms[1],
        rhythms[2],
        row_of[rhythms[3]],
        rhythms[4],
        row_of[rhythms[5]],
        rhythms[6],
        bit,
        fault_every,
        fault_cost,
        horizon,
        True,
        results[0],
        results[1],
        results[2],
    )


@kernel
def fits_last(
    i: int,
    left: Mask,
    judged: Mask,
    columns: I64,
    rhythms: Rhythms,
    bit: int,
    fault_every: int,
    fault_cost: int,
    horizon: int,
) -> bool:
    """Whether entry ``i`` is in time as the last of those ``left``."""
    if not judged[i]:
        return True
    return keeps_deadline(i, left, columns, rhythms, bit, fault_every, fault_cost, horizon)


@kernel
def find_order(
    changed: Mask,
    patience: I64,
    room: I64,
    wide: I64,
    judged: Mask,
    columns: I64,
    rhythms: Rhythms,
    bit: int,
    fault_every: int,
    fault_cost: int,
    horizon: int,
    eager: bool,
) -> tuple[int, I64, Mask, int, bool]:
    """Place entries from the last place upwards: kept ones in their order, changed ones anywhere.

    A kept one that is in time comes first, or, when ``eager``, a changed one that has a number
    there. ``patience`` lists the changed entries, those that can wait longest first.
    ``room[i, w]``: free identifiers of width ``w`` between kept entry ``i`` and the kept one before
    it, row n: those after the last. Returns the places filled, the entries placed (last place
    first), those left, the kept one that is next (−1: none) and whether a changed one would fit but
    has no number.
    """
    n = len(changed)
    left = np.ones(n, np.bool_)
    placed = np.empty(n, np.int64)
    waiting = np.ones(len(patience), np.bool_)
    count = 0
    bottom = n - 1
    while bottom >= 0 and changed[bottom]:
        bottom -= 1
    space = room[n].copy()
    full = False
    while count < n:
        full = False
        chosen = -1
        stays = bottom >= 0 and fits_last(
            bottom, left, judged, columns, rhythms, bit, fault_every, fault_cost, horizon
        )
        if eager or not stays:
            for p in range(len(patience)):
                if not waiting[p]:
                    continue
                i = patience[p]
                if (full or eager) and space[wide[i]] <= 0:
                    continue
                if fits_last(
                    i, left, judged, columns, rhythms, bit, fault_every, fault_cost, horizon
                ):
                    if space[wide[i]] > 0:
                        chosen = p
                        break
                    full = True
        if chosen >= 0:
            i = patience[chosen]
            waiting[chosen] = False
            space[wide[i]] -= 1
            full = False
        elif stays:
            i = bottom
            space = room[bottom].copy()
            bottom -= 1
            while bottom >= 0 and changed[bottom]:
                bottom -= 1
        else:
            break
        placed[count] = i
        count += 1
        left[i] = False
    return count, placed, left, bottom, full
