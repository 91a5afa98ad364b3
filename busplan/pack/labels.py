"""How cells, sensors and modules are called in findings, and where they stand."""

from __future__ import annotations

from collections.abc import Sequence

from busplan.findings import Where
from busplan.plan.vehicle import CellPlace, PackLayout, SensorPlace, SignalAddress

SHORT_NAMES = {
    "inlet_temperature": "inlet",
    "outlet_temperature": "outlet",
    "contactor_state": "contactors",
    "link_voltage": "link",
    "state_of_charge": "charge",
    "dcdc_output_voltage": "DC-DC",
    "charger_current": "charger",
    "charger_current_request": "charger asked",
}
"""What people call the pack's quantities, where that is not the name in the plan."""


def cell_label(cell: CellPlace) -> str:
    """``cell 53 (C1)``."""
    return f"cell {cell.number} ({cell.module})"


def sensor_label(sensor: SensorPlace) -> str:
    """``sensor 2 of D1``."""
    return f"sensor {sensor.position} of {sensor.module}"


def short_cell(cell: CellPlace) -> str:
    """``53 C1``."""
    return f"{cell.number} {cell.module}"


def short_sensor(sensor: SensorPlace) -> str:
    """``D1/2``: the second sensor of D1."""
    return f"{sensor.module}/{sensor.position}"


def place(address: SignalAddress, time_s: float | None = None) -> Where:
    """A signal as the place of a finding, with the time the screens jump to."""
    return Where(
        address.network, address.node, address.message, address.signal, time_ns=time_ns(time_s)
    )


def module_place(layout: PackLayout, module: str, time_s: float | None = None) -> Where:
    """A module as a place: its first sensor, else its first cell."""
    held: Sequence[CellPlace | SensorPlace] = [
        *(s for s in layout.sensors if s.module == module),
        *(c for c in layout.cells if c.module == module),
    ]
    return place(held[0].address, time_s) if held else Where(time_ns=time_ns(time_s))


def time_ns(time_s: float | None) -> int | None:
    """Seconds from the first frame as the integer nanoseconds that findings carry."""
    return None if time_s is None or time_s != time_s else round(time_s * 1e9)


def clock(time_s: float) -> str:
    """A time in a capture for reading: ``4:05``, or ``1:04:05`` from an hour on."""
    whole = max(round(time_s), 0)
    hours, rest = divmod(whole, 3600)
    minutes, seconds = divmod(rest, 60)
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"


def listed(names: Sequence[str], most: int = 6) -> str:
    """Names in one line, the tail counted: ``1, 2, 3 and 9 more``."""
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"


def sentence(text: str) -> str:
    """The text with its first letter large, to begin a sentence."""
    return text[:1].upper() + text[1:]


def how_late(least_s: float, most_s: float) -> str:
    """How late voltages come against the current; below 0 the current's own message is later."""
    least, most = round(least_s * 1e3), round(most_s * 1e3)
    if least >= 0:
        ends = dict.fromkeys((f"{least}", f"{most}"))
        return f"{' to '.join(ends)} ms late"
    if most > 0:
        return f"from {-least} ms before the current to {most} ms after it"
    ends = dict.fromkeys((f"{-most}", f"{-least}"))
    return f"{' to '.join(ends)} ms before the current"
