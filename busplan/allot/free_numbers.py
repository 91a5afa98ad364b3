"""Identifiers that messages may be given on a network: all but reserved ranges, counted by rank."""

from __future__ import annotations

from collections.abc import Sequence

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

    def up_to(self, rank: int) -> tuple[int, int]:
        """How many of 11 and of 29 bits have a rank of at most this
        (:func:`busplan.plan.vehicle.arbitration_rank`): also the numbers of the first beyond it."""
        base, rest = divmod(rank, 1 << 19)
        inside = max(0, min(rest - (1 << 18) + 1, 1 << 18))
        return self._below(base + 1), self._below((base << 18) + inside)

    def _below(self, identifier: int) -> int:
        """How many free ones are smaller."""
        taken = (min(last + 1, identifier) - first for first, last in self._ranges)
        return identifier - sum(t for t in taken if t > 0)

    def identifier(self, number: int) -> int:
        """The identifier of a number."""
        for first, last in self._ranges:
            if number < first:
                break
            number += last - first + 1
        return number
