"""What a vehicle's networks say at one moment, as one immutable value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from busplan.findings import Weight
from busplan.replay.lines import Ages, Silence
from busplan.replay.pack import PackState
from busplan.replay.state import Trouble, word_for
from busplan.replay.traffic import Load


@dataclass(frozen=True, eq=False)
class Snapshot:
    """One moment, ``t_ns`` after the first frame of the capture.

    ``ages`` and ``share`` have one entry for each message line; ``share`` is its part of its
    network's time over the last minute. ``past`` counts the findings up to this moment.
    """

    t_ns: int
    loads: tuple[Load, ...]
    ages: Ages
    share: npt.NDArray[np.float64]
    silent: tuple[Silence, ...]
    pack: PackState | None
    troubles: tuple[Trouble, ...]
    past: int

    @property
    def word(self) -> str:
        """The state in one plain word."""
        return word_for(self.troubles, any_data=any(load.recorded for load in self.loads))

    @property
    def weight(self) -> Weight:
        """The heaviest trouble's weight; a note when there is none."""
        return self.troubles[0].weight if self.troubles else Weight.NOTE
