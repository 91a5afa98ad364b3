"""What a vehicle's networks say at one moment, as one immutable value."""

from __future__ import annotations

from functools import cached_property
from typing import Protocol

from busplan.findings import Weight
from busplan.frames.columns import F64
from busplan.plan.vehicle import Vehicle
from busplan.replay.lines import Ages, Lines, Silence
from busplan.replay.pack_state import PackState
from busplan.replay.state import Trouble, troubles, word_for
from busplan.traffic.running import Load, Traffic


class Opened(Protocol):
    """What a moment asks of the capture it lies in: a ``Replay``."""

    @property
    def vehicle(self) -> Vehicle:
        """The plan's vehicle."""

    @property
    def lines(self) -> Lines:
        """The message lines."""

    @property
    def traffic(self) -> Traffic:
        """Loads over time."""

    def share(self, shot: Snapshot, /) -> F64:
        """Each message line's part of its network's time."""

    def pack_state(self, shot: Snapshot, /) -> PackState | None:
        """The pack."""

    def past(self, t_ns: int, /) -> int:
        """How many findings lie at or before a moment."""

    def found(self, t_ns: int, /) -> tuple[int, int]:
        """How many of them are faults, and how many cautions."""


class Snapshot:
    """One moment, ``t_ns`` after the first frame of the capture.

    Each part is worked out when it is first asked for, so that a screen pays for what it shows.
    """

    def __init__(self, replay: Opened, t_ns: int) -> None:
        self._replay = replay
        self.t_ns = t_ns

    @property
    def planned(self) -> bool:
        """Whether a plan describes the vehicle."""
        return bool(self._replay.vehicle.source)

    @cached_property
    def loads(self) -> tuple[Load, ...]:
        """The load of every network."""
        return self._replay.traffic.at(self.t_ns)

    @cached_property
    def ages(self) -> Ages:
        """How every message line stands."""
        return self._replay.lines.at(self.t_ns)

    @cached_property
    def share(self) -> F64:
        """Each message line's part of its network's time over the last minute."""
        return self._replay.share(self)

    @cached_property
    def silent(self) -> tuple[Silence, ...]:
        """Nodes that do not send."""
        recorded = frozenset(load.network for load in self.loads if load.recorded)
        return self._replay.lines.silent(self.ages, recorded)

    @cached_property
    def pack(self) -> PackState | None:
        """The pack; ``None`` when the plan has none."""
        return self._replay.pack_state(self)

    @cached_property
    def troubles(self) -> tuple[Trouble, ...]:
        """Everything wrong, the heaviest first."""
        networks, found = self._replay.vehicle.networks, self._replay.found(self.t_ns)
        return troubles(self.pack, self.loads, networks, self.silent, *found)

    @property
    def past(self) -> int:
        """How many of the capture's findings lie at or before this moment."""
        return self._replay.past(self.t_ns)

    @property
    def word(self) -> str:
        """The state in one plain word."""
        return word_for(self.troubles, any_data=any(load.recorded for load in self.loads))

    @property
    def weight(self) -> Weight:
        """The heaviest trouble's weight; a note when there is none."""
        return self.troubles[0].weight if self.troubles else Weight.NOTE
