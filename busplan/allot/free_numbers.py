"""Identifiers that messages may be given on a network: all but reserved ranges, counted by rank."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import I64

Ranges = Sequence[tuple[int, int]]
"""Ranges of identifiers, both ends included."""


class FreeNumbers:
    """Identifiers outside ``reserved``, numbered from 0 upwards in each width."""

    def __init__(self, reserved: Ranges = ()) -> None:
        self._ranges: list[tuple[int, int]] = []
        for first, last in sorted(reserved):
            if self._ranges and first <= self._ranges[-1][1] + 1:
                last = max(last, self._ranges[-1][1])
                first = self._ranges.pop()[0]
            self._ranges.append((first, last))

    def up_to(self, ranks: npt.ArrayLike) -> I64:
        """How many of 11 and of 29 bits have a rank of at most each of these
        (:func:`busplan.plan.vehicle.arbitration_rank`): also the numbers of the first beyond it.

        Two for each rank, in the last axis."""
        base, rest = np.divmod(np.asarray(ranks, np.int64), 1 << 19)
        inside = np.clip(rest - (1 << 18) + 1, 0, 1 << 18)
        below = np.stack((base + 1, (base << 18) + inside), axis=-1)
        taken = sum(np.clip(below, first, last + 1) - first for first, last in self._ranges)
        return np.asarray(below - taken, np.int64)

    def identifier(self, number: int) -> int:
        """The identifier of a number."""
        for first, last in self._ranges:
            if number < first:
                break
            number += last - first + 1
        return number
