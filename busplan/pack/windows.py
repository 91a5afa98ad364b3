"""What the pack is doing by its current, and which temperature window its cells have then.

The one rule for the judgement of a capture and for the screens. While neither charging nor
discharging, and while the current is not known, both uses are possible the next moment and none
harms yet: the wider window holds, from the lower of the two low ends to the higher of the two high
ends. Charging a cell below its charging window is an offence of its own. Cell voltages have one
window, always.

``REST_A``: common practice, no source.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from busplan.frames.columns import F64, Mask
from busplan.plan.vehicle import PackLimits

REST_A = 2.0
"""A current of up to this much neither charges nor discharges."""
TOUCHING = 1e-6
"""So far beyond a limit [V, °C] is rounding."""

Window = tuple[float, float]


class Mode(StrEnum):
    """What flows: into the pack, out of it, next to nothing, or nobody knows."""

    CHARGING = "charging"
    DISCHARGING = "discharging"
    RESTING = "resting"
    UNKNOWN = "unknown"

    @property
    def words(self) -> str:
        """The same to end a sentence with, a blank before it; nothing when it is not known."""
        return {
            Mode.CHARGING: " while charging",
            Mode.DISCHARGING: " while discharging",
            Mode.RESTING: " at rest",
        }.get(self, "")


def mode_of(amps: float) -> Mode:
    """The mode at a current [A], positive when it discharges; NaN: not known."""
    if amps < -REST_A:
        return Mode.CHARGING
    if amps > REST_A:
        return Mode.DISCHARGING
    return Mode.UNKNOWN if amps != amps else Mode.RESTING


def modes(amps: F64) -> dict[Mode, Mask]:
    """When each mode holds; one of them at each moment."""
    with np.errstate(invalid="ignore"):
        return {
            Mode.CHARGING: amps < -REST_A,
            Mode.DISCHARGING: amps > REST_A,
            Mode.RESTING: np.abs(amps) <= REST_A,
            Mode.UNKNOWN: np.isnan(amps),
        }


def temperature_window(limits: PackLimits, mode: Mode) -> Window:
    """Lowest and highest allowed temperature [°C] in a mode."""
    charge = (limits.charge_low_c, limits.charge_high_c)
    discharge = (limits.discharge_low_c, limits.discharge_high_c)
    if mode is Mode.CHARGING:
        return charge
    if mode is Mode.DISCHARGING:
        return discharge
    return min(charge[0], discharge[0]), max(charge[1], discharge[1])


def voltage_window(limits: PackLimits) -> Window:
    """Lowest and highest allowed cell voltage [V], in every mode."""
    return limits.cell_low_v, limits.cell_high_v


def beyond(values: F64, limit: F64 | float, *, above: bool) -> Mask:
    """Which values lie beyond a limit; NaN does not."""
    with np.errstate(invalid="ignore"):
        over = values > limit + TOUCHING if above else values < limit - TOUCHING
    return np.asarray(over, np.bool_)
