"""A fact of the trade as readings: what a good warm-up with crude heat looks like.

common practice, no source: sixteen modules of six cells with readings of whole degrees, crude heat
at a radiator, no liquid temperature, pumps on. All start at 16 C; after about five minutes all read
17 and some 18. That is coming up together as far as this shows. Nobody at 17 is to be accused
beside an 18. One that stays at 16 while its peers go on is to be named, or called open: never fine.

These are readings, made without a model of any loop: every module climbs a straight line by the
same 1.35 K in four minutes after one of standing, from anywhere that reads 16, and is rounded.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from busplan.pack.series import PackSeries, Trace
from busplan.plan.vehicle import PackLayout
from truth.as_series import layout_of

Array = np.ndarray[Any, np.dtype[Any]]

MODULES = 16
CELLS_PER_MODULE = 6
START_C = 16
RISE_K_S = 1.35 / 240
STANDING_S = 60.0


@dataclass(frozen=True)
class Fact:
    """Readings (n, 16) [whole C] at ``time_s`` (n,); ``stays`` is the module that stays at 16."""

    time_s: Array
    reading: Array
    cells: Array
    stays: int | None

    def as_series(self, **more: Any) -> tuple[PackSeries, PackLayout]:
        """What the judge takes: sensors and resting cells, nothing else was on the bus."""
        sensors = tuple(Trace(self.time_s, self.reading[:, m], step=1.0) for m in range(MODULES))
        cells = tuple(Trace(self.time_s, self.cells[:, c], step=0.001) for c in range(96))
        layout = layout_of([0] * MODULES, sensors=1, cells=CELLS_PER_MODULE, step_k=1.0, **more)
        return PackSeries(cells, sensors, {}, float(self.time_s[-1])), layout


def readings(seed: int, *, minutes: float = 5.0, stays: int | None = None) -> Fact:
    """The fact for one draw of what 16 hides. After five minutes between 2 and 9 modules read 18;
    peers go on at the same rate when ``minutes`` is more. ``stays``: this module reads 16 always.
    """
    rng = np.random.default_rng([seed, 7401])
    while True:
        start = START_C + rng.uniform(-0.45, 0.45, MODULES)
        ahead = (start + 1.35 >= 17.5).sum()
        if 2 <= ahead <= 9:
            break
    time = np.arange(0.0, minutes * 60 + 0.5, 1.0)
    warm = start + RISE_K_S * np.clip(time - STANDING_S, 0, None)[:, None]
    reading = np.round(warm)
    if stays is not None:
        reading[:, stays] = START_C
    rest = 3.752 + 0.002 * rng.standard_normal(MODULES * CELLS_PER_MODULE)
    cells = np.round(rest + 0.0003 * rng.standard_normal((len(time), len(rest))), 3)
    return Fact(time, reading, cells, stays)
