"""The pack at one moment: every cell and sensor, how it stands to its peers, and the worst places.

A value is *fresh* while its message is not stale and the evaluation of the capture has not set its
cell or sensor aside. Minimum, mean, maximum and spread are taken over fresh values. The
deviation of a cell or sensor is its value minus the median of all fresh peers, NaN without any.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

import numpy as np

from busplan.frames.columns import F64, I8, I64, Mask
from busplan.pack.windows import (
    Mode,
    Window,
    beyond,
    mode_of,
    temperature_window,
    voltage_window,
)
from busplan.plan.vehicle import PackLayout, PackLimits

Grades = I8


class Grade(IntEnum):
    """How a cell or sensor stands to its peers and to its allowed window."""

    MISSING = 0
    """Has not come yet."""
    STALE = 1
    """An old value: its message has stopped."""
    FAR_LOW = 2
    """Below its peers by more than the allowed spread."""
    LOW = 3
    """Below its peers by more than half of it."""
    EVEN = 4
    HIGH = 5
    FAR_HIGH = 6
    OUTSIDE = 7
    """Outside the allowed window."""
    ASIDE = 8
    """Not believed: the evaluation of the capture has set it aside."""

    @property
    def mark(self) -> str:
        """One character, so that no grade is told by colour alone."""
        return "?~«< >»!x"[self.value]

    @property
    def word(self) -> str:
        """The same in words."""
        return _WORDS[self.value]


_WORDS = (
    "not heard",
    "stale",
    "far below peers",
    "below peers",
    "even with peers",
    "above peers",
    "far above peers",
    "outside its window",
    "set aside: not believed",
)


@dataclass(frozen=True, slots=True)
class PeerRange:
    """Minimum, mean, maximum and spread over the fresh peers, and which peers hold the extremes.

    ``lowest`` and ``highest`` are indices into the values.
    """

    count: int
    minimum: float
    mean: float
    maximum: float
    lowest: int
    highest: int

    @property
    def spread(self) -> float:
        """Maximum minus minimum."""
        return self.maximum - self.minimum

    @staticmethod
    def of(values: F64, fresh: Mask) -> PeerRange | None:
        """Over the fresh values; ``None`` when there is none."""
        where = np.flatnonzero(fresh)
        if not len(where):
            return None
        chosen = values[where]
        low, high = int(where[chosen.argmin()]), int(where[chosen.argmax()])
        return PeerRange(
            len(where), float(values[low]), float(chosen.mean()), float(values[high]), low, high
        )


@dataclass(frozen=True, eq=False)
class Peers:
    """Values of all cells [V] or all sensors [°C] at a moment; arrays of one shape.

    ``value`` is NaN and ``age_ns`` the greatest integer where nothing has come yet; ``unheard``
    are those of them that should have come by now, ``coded`` those that told a code such as
    "not available" instead of a measurement.
    """

    value: F64
    age_ns: I64
    fresh: Mask
    deviation: F64
    grade: Grades
    evenness: PeerRange | None
    unheard: Mask
    coded: Mask


class Told(NamedTuple):
    """What a list of signals told last; arrays of one shape, see :class:`Peers`."""

    value: F64
    age_ns: I64
    stale: Mask
    coded: Mask


class Quantity(NamedTuple):
    """One of the pack's mapped quantities; ``text`` is the value as users read it.

    Currents are positive when they discharge. ``value`` is NaN when a code was told.
    """

    value: float
    unit: str
    stale: bool
    text: str


@dataclass(frozen=True, eq=False)
class PackState:
    """The pack at a moment.

    ``module_c`` is each module's mean temperature [°C], ``lag_k`` how far it is behind the median
    of all modules [K] (negative: ahead), shape ``(n_modules,)``, NaN without fresh sensors. For the
    lag a module counts with its sensor nearest to all others, so that one faulty sensor does not
    make a module late.
    ``quantities`` maps the layout's names to their values; unmapped or unseen ones are left out.
    ``in_capture`` says whether any cell or sensor comes at all, at this or another moment.
    """

    layout: PackLayout
    cells: Peers
    sensors: Peers
    module_c: F64
    lag_k: F64
    quantities: Mapping[str, Quantity]
    in_capture: bool = True

    @property
    def any_value(self) -> bool:
        """Whether any cell or sensor has come so far."""
        return bool((self.cells.grade > 0).any() or (self.sensors.grade > 0).any())

    @property
    def mode(self) -> Mode:
        """What the pack is doing."""
        return mode_from(self.quantities)

    @property
    def worst_lag(self) -> tuple[str, float] | None:
        """The module furthest behind the others and by how much [K]; ``None`` without values."""
        if not len(self.lag_k) or np.isnan(self.lag_k).all():
            return None
        i = int(np.nanargmax(self.lag_k))
        return self.layout.modules[i], float(self.lag_k[i])


def mode_from(quantities: Mapping[str, Quantity]) -> Mode:
    """The mode by the mapped pack current, unknown without a fresh one."""
    current = quantities.get("current")
    return Mode.UNKNOWN if current is None or current.stale else mode_of(current.value)


def grade_cells(told: Told, limits: PackLimits, aside: Sequence[int] = ()) -> Peers:
    """Grade cell voltages [V] against their peers and the allowed window.

    ``aside`` are places whose readings are not believed.
    """
    return _grade(told, limits.voltage_spread_v, voltage_window(limits), 0.0, aside)


def grade_sensors(told: Told, layout: PackLayout, mode: Mode, aside: Sequence[int] = ()) -> Peers:
    """Grade temperatures [°C] against their peers and the window of the mode.

    A step of the sensor's resolution is no deviation. ``aside`` as in :func:`grade_cells`.
    """
    limits, step = layout.limits, layout.temperature_resolution_k or 0.0
    window = temperature_window(limits, mode)
    return _grade(told, limits.temperature_spread_k, window, step, aside)


def pack_state(
    layout: PackLayout,
    cells: Peers,
    sensors: Peers,
    quantities: Mapping[str, Quantity],
    in_capture: bool,
) -> PackState:
    """Put the graded values together and compare the modules' temperatures."""
    mean = np.full(len(layout.modules), np.nan)
    near = mean.copy()
    middle = float(np.median(sensors.value[sensors.fresh])) if sensors.fresh.any() else np.nan
    fresh: dict[str, list[float]] = {}
    values = sensors.value.tolist()
    for i in np.flatnonzero(sensors.fresh).tolist():
        fresh.setdefault(layout.sensors[i].module, []).append(values[i])
    for m, module in enumerate(layout.modules):
        if mine := fresh.get(module):
            mean[m] = sum(mine) / len(mine)
            near[m] = min(mine, key=lambda value: abs(value - middle))
    seen = near[~np.isnan(near)]
    # One module alone is behind nobody.
    late = float(np.median(seen)) - near if len(seen) > 1 else np.full(len(near), np.nan)
    return PackState(layout, cells, sensors, mean, late, quantities, in_capture)


def grade_deviation(deviation: F64, spread: float, step: float = 0.0) -> Grades:
    """Grades of deviations of any shape: NaN is missing, ``spread`` the allowed one.

    A deviation of one ``step`` of resolution counts as even.
    """
    mild, far = max(spread / 2, step), max(spread, step)
    grade = np.full(deviation.shape, Grade.EVEN, np.int8)
    with np.errstate(invalid="ignore"):
        for test, level in (
            (deviation < -mild, Grade.LOW),
            (deviation > mild, Grade.HIGH),
            (deviation < -far, Grade.FAR_LOW),
            (deviation > far, Grade.FAR_HIGH),
        ):
            grade[test] = level
    grade[np.isnan(deviation)] = Grade.MISSING
    return grade


def _grade(told: Told, spread: float, window: Window, step: float, aside: Sequence[int]) -> Peers:
    values, stale = told.value, told.stale
    came = ~np.isnan(values)
    believed = np.ones(len(values), np.bool_)
    believed[list(aside)] = False
    fresh = came & ~stale & believed
    deviation = values - (float(np.median(values[fresh])) if fresh.any() else np.nan)
    grade = grade_deviation(deviation, spread, step)
    low, high = window
    grade[beyond(values, low, above=False) | beyond(values, high, above=True)] = Grade.OUTSIDE
    grade[came & ~believed] = Grade.ASIDE
    grade[came & stale] = Grade.STALE
    return Peers(
        value=values,
        age_ns=told.age_ns,
        fresh=fresh,
        deviation=deviation,
        grade=grade,
        evenness=PeerRange.of(values, fresh),
        unheard=~came & stale,
        coded=told.coded & ~stale,
    )
