"""Where the values of a healthy vehicle usually lie, so that a played plan looks like one.

Cells stand in the middle of their window, close to each other; sensors are as warm as each other;
currents are small, states are calm ones. Everything still moves a little. The values are made up.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple
from zlib import crc32

from busplan.definitions.model import Signal
from busplan.plan.vehicle import PackLayout, SignalAddress, Stream, Vehicle

CALM = (
    *("closed", "on", "running", "ready", "drive", "driving", "active", "good", "ok", "normal"),
    *("measuring", "recording", "holding", "clear", "off", "idle", "none"),
)
"""Names of states in which a vehicle does its work quietly; the first that fits is shown."""
USUAL = {
    "mV": (13_300.0, 13_900.0),
    "V": (13.3, 13.9),
    "A": (2.0, 9.0),
    "°C": (22.0, 27.0),
    "K": (1.0, 2.0),
    "%": (40.0, 60.0),
    "bar": (1.2, 1.6),
    "rpm": (900.0, 1600.0),
    "km/h": (38.0, 52.0),
    "Nm": (20.0, 60.0),
    "kW": (4.0, 12.0),
    "W": (200.0, 600.0),
    "kΩ": (2400.0, 2900.0),
    "l/min": (9.0, 12.0),
}
"""Where a signal usually lies, by its unit (common practice, no source)."""
APART_V, APART_K = 0.004, 0.8
"""How far cells and sensors stand apart from each other."""


class Usual(NamedTuple):
    """Lowest and highest of a signal, physical; signals of one ``group`` swing together."""

    low: float
    high: float
    group: str


UsualOf = Callable[[Stream, Signal], Usual | None]


def usual_of(vehicle: Vehicle) -> UsualOf:
    """What is usual for each signal of a vehicle; ``None``: the middle of its range."""
    layout = vehicle.pack
    pack = {} if layout is None else _pack(layout)

    def usual(stream: Stream, signal: Signal) -> Usual | None:
        known = pack.get(stream.address(signal.name))
        if known is not None:
            factor = 1000.0 if signal.unit == "mV" else 1.0
            return Usual(known.low * factor, known.high * factor, known.group)
        if signal.unit not in USUAL:
            return None
        return Usual(*USUAL[signal.unit], f"{stream.label}/{signal.name}")

    return usual


def _pack(layout: PackLayout) -> dict[SignalAddress, Usual]:
    """Cells, sensors and the pack's own quantities, in line with each other."""
    low, high = layout.limits.cell_low_v, layout.limits.cell_high_v
    v = (low + 0.50 * (high - low), low + 0.56 * (high - low))
    found: dict[SignalAddress, Usual] = {}
    for cell in layout.cells:
        off = APART_V * _dice(str(cell.address))
        found[cell.address] = Usual(v[0] + off, v[1] + off, "cells")
    for sensor in layout.sensors:
        off = APART_K * _dice(str(sensor.address))
        found[sensor.address] = Usual(22.0 + off, 25.0 + off, "sensors")
    whole = {
        "voltage": Usual(len(layout.cells) * v[0], len(layout.cells) * v[1], "cells"),
        "current": Usual(-5.0, 40.0, "current"),
    }
    for name, address in layout.quantities.items():
        if name in whole:
            found[address] = whole[name]
    return found


def _dice(name: str) -> float:
    """A number of its own for each name, −1 to 1."""
    return crc32(name.encode()) % 2001 / 1000 - 1


def calm_state(signal: Signal) -> int:
    """The raw value of a calm state; the lowest where none is named so."""
    names = {raw: text.casefold().split() for raw, text in signal.choices.items()}
    for word in CALM:
        for raw, words in names.items():
            if word in words:
                return raw
    return min(signal.choices)
