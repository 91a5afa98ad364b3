"""The order of arbitration of one network, found from the least urgent place upwards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.allot import order_kernels as kernels
from busplan.allot.free_numbers import FreeNumbers, Ranges
from busplan.frames.columns import I64, Mask
from busplan.timing.queue_model import ONE_OFF_NS, QueueModel, Status
from busplan.timing.rhythms import rhythms_of
from busplan.timing.solving import HORIZON_NS

END = 0x7F0 << 19
"""The rank at which new identifiers end: older controllers cannot send seven recessive bits at the
beginning (CAN specification 2.0, part A: not all of the seven most significant bits recessive)."""


@dataclass(frozen=True, slots=True)
class Failure:
    """Where the search from below got stuck: messages that are still to be placed, of which none
    that may come next is in time there.

    ``in_time`` are those that would be in time but may not come next: a message that keeps its
    identifier lies below them. ``next_kept`` is that message, −1 when none is left.
    """

    left: tuple[int, ...]
    in_time: tuple[int, ...]
    next_kept: int
    full: bool
    """Whether a changed message would fit there, and only numbers are missing."""

    @property
    def named(self) -> tuple[int, ...]:
        """Those of which at least one has to change, whatever else does: the last of those that
        are left must be in time there, so it is one of ``in_time`` below the next kept one, or the
        next kept one is not there."""
        return (*self.in_time, *((self.next_kept,) if self.next_kept >= 0 else ()))


class NetworkOrder:
    """The entries of one network, in order of arbitration as they stand, and the test of each.

    ``ranks``: :func:`busplan.plan.vehicle.arbitration_rank` of each entry, −1 for what goes before
    all. ``fault_every`` [ns] 0 means no bus errors; no message is given a ``reserved`` identifier.
    Queues count as ordered by urgency, and messages in several frames as in time: the timing of the
    changed plan has the last word.
    """

    def __init__(
        self,
        model: QueueModel,
        fault_every: int,
        ranks: Sequence[int],
        wide: Sequence[bool],
        reserved: Ranges = (),
    ) -> None:
        self.numbers = FreeNumbers(reserved)
        self.model = model
        self.fault_every = fault_every
        self.ranks = tuple(ranks)
        self.wide = tuple(map(int, wide))
        self._wide = np.array(self.wide, np.int64)
        self.n = len(model.frame)
        rhythms = rhythms_of(model)
        self.in_rhythms = bool(rhythms.release)
        """Whether some are sent at stated offsets, so that less than all is queued at once."""
        self._rhythms = tuple(np.array(values, np.int64) for values in rhythms.columns)
        unbounded = [j < 0 for j in model.inherited]
        self._columns: I64 = np.array(
            [
                *(model.single, model.frame, model.period, model.jitter, model.inherited),
                *(model.deadline, np.where(unbounded, -1, 0), rhythms.joined),
            ],
            np.int64,
        )
        self.deadline = self._columns[5]
        carried = {placed.place for placed in model.sessions}
        self.judged: Mask = np.array(
            [
                status is Status.PROVEN and not part and d < ONE_OFF_NS and i not in carried
                for i, (status, part, d) in enumerate(
                    zip(model.status, model.part, model.deadline, strict=True)
                )
            ],
            np.bool_,
        )
        sent = [i for i, part in enumerate(model.part) if not part]
        groups: dict[int, list[int]] = {}
        for i in sent:
            groups.setdefault(model.upto[i], []).append(i)
        self.twins = [tuple(groups[last]) for last in sorted(groups)]
        """Messages by identifier: several of one identifier is wrong; frames of sessions share."""
        self._up_to = self.numbers.up_to(self.ranks)
        self._before = self.numbers.up_to(np.array([*self.ranks, END]) - 1)
        self._settings = (model.bit, fault_every, model.fault_cost, HORIZON_NS)

    def in_time(self, i: int, above: Mask) -> bool:
        """Whether entry ``i`` keeps its deadline when exactly ``above`` go before it."""
        if not self.judged[i]:
            return True
        return bool(kernels.keeps_deadline(i, above, self._columns, self._rhythms, *self._settings))

    def find(self, changed: Mask) -> list[int] | Failure:
        """An order, most urgent first, in which every message is in time, or where it fails.

        Those not ``changed`` keep their order among each other. Finds one whenever there is one, as
        long as the identifiers between two kept ones suffice: changed ones go as far up as they
        may, and where numbers are missing so, as far down as they may.
        """
        free = sorted(
            np.flatnonzero(changed).tolist(),
            key=lambda i: (self.judged[i], int(self.deadline[i]) - self.model.jitter[i]),
        )
        patience = np.array(free[::-1], np.int64)
        known = (self.judged, self._columns, self._rhythms, *self._settings)
        start = (changed, patience, self._room(changed), self._wide, *known)
        count, placed, left, bottom, full = kernels.find_order(*start, False)
        if full:
            tried = kernels.find_order(*start, True)
            count, placed = tried[:2]
        if count == self.n:
            return [int(i) for i in placed[::-1]]
        waiting = tuple(
            int(i)
            for i in np.flatnonzero(left & ~changed)
            if i != bottom and kernels.fits_last(int(i), left, *known)
        )
        return Failure(tuple(np.flatnonzero(left).tolist()), waiting, int(bottom), bool(full))

    def _room(self, changed: Mask) -> I64:
        """Identifiers of either width between each kept entry and the kept one before it."""
        room = np.zeros((self.n + 1, 2), np.int64)
        kept = np.flatnonzero(~changed)
        ends = np.append(kept, self.n)
        begins = np.vstack((self.numbers.up_to(-1), self._up_to[kept]))
        room[ends] = np.maximum(0, self._before[ends] - begins)
        return room
