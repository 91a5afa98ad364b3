"""Compiled sums for the resistance of the joints, over rows of the pack's voltage.

On a uniform grid from ``start`` in steps of ``step`` stand the sum of the cells and the current;
rows are taken from it by straight lines at the time of a reading less its delay.
"""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import F64, I64
from busplan.kernels import kernel


@kernel
def joint_moments(
    time: F64,
    volts: F64,
    part: I64,
    parts: int,
    delay: float,
    start: float,
    step: float,
    cells: F64,
    current: F64,
) -> F64:
    """Sums of products of [1, S − mean S, −I, volts − S] over the rows of each part.

    ``time``, ``volts`` and ``part`` are (n,), ``cells`` (S) and ``current`` (I) stand on the grid;
    the mean is that of all rows. Returns (parts, 4, 4).
    """
    sums = np.zeros((parts, 4, 4))
    held = np.empty(len(time))
    flowing = np.empty(len(time))
    mean = 0.0
    last = len(cells) - 2
    for r in range(len(time)):
        position = (time[r] - delay - start) / step
        k = min(max(int(position), 0), last)
        share = min(max(position - k, 0.0), 1.0)
        held[r] = cells[k] + share * (cells[k + 1] - cells[k])
        flowing[r] = current[k] + share * (current[k + 1] - current[k])
        mean += held[r]
    mean /= max(len(time), 1)
    for r in range(len(time)):
        into = sums[part[r]]
        away, against, short = held[r] - mean, -flowing[r], volts[r] - held[r]
        into[0, 0] += 1.0
        into[0, 1] += away
        into[0, 2] += against
        into[0, 3] += short
        into[1, 1] += away * away
        into[1, 2] += away * against
        into[1, 3] += away * short
        into[2, 2] += against * against
        into[2, 3] += against * short
        into[3, 3] += short * short
    for p in range(parts):
        for a in range(1, 4):
            for b in range(a):
                sums[p, a, b] = sums[p, b, a]
    return sums
