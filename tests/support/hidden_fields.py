"""Fields of the demo's captures hidden from the workbench, each with a signal that says the same.

8, 12, 16 and 24 bits, both orders and signs, bytes and half bytes, frames of 8 and of 64 bytes.
Left out is what a capture cannot tell: a sign that never moved (the current while charging), a
known signal of much coarser steps (odometer for a trip in metres) or of another quantity (energy
for charge).
"""

from __future__ import annotations

from typing import NamedTuple

from busplan.traffic.workbench import Field


class Hidden(NamedTuple):
    """One of them."""

    capture: str
    identifier: str
    known: str
    field: Field


_STATUS = "pack/battery_master/PackStatus"
_CELLS = "pack/battery_master/CellExtremes"
_INVERTER = "drive/inverter/InverterElectrical"
_CHARGER = "charge/charger/ChargerOutput"
_PEDAL = "drive/pedal/PedalPosition/PedalTravel"
_LOGGED = "telemetry/supervisor/TelemetryDrive"

HIDDEN = (
    Hidden("drive", "drive/0x054", f"{_STATUS}/PackCurrent", Field(0, 16, signed=True)),
    Hidden("drive", "drive/0x054", f"{_STATUS}/PackVoltage", Field(16, 16)),
    Hidden("drive", "drive/0x064", f"{_CELLS}/CellVoltageMin", Field(0, 16)),
    Hidden("drive", "drive/0x064", f"{_CELLS}/CellVoltageMax", Field(16, 16)),
    Hidden(
        "drive",
        "drive/0x038",
        "drive/supervisor/TorqueCommand/TorqueRequest",
        Field(7, 16, True, True),
    ),
    Hidden("drive", "drive/0x040", f"{_STATUS}/PackVoltage", Field(7, 16, True)),
    Hidden("drive", "drive/0x040", f"{_STATUS}/PackCurrent", Field(23, 16, True, True)),
    Hidden("drive", "pack/0x08A00001", f"{_STATUS}/PackCurrent", Field(0, 24, signed=True)),
    Hidden("drive", "pack/0x0CA10001", f"{_INVERTER}/InverterCurrent", Field(0, 16, signed=True)),
    Hidden("drive", "pack/0x0CA10001", f"{_INVERTER}/LinkVoltageMotor", Field(16, 16)),
    Hidden("drive", "drive/0x034", f"{_LOGGED}/PedalTravel", Field(0, 12)),
    Hidden("drive", "drive/0x034", f"{_LOGGED}/PedalTravel", Field(12, 12)),
    Hidden("drive", "drive/0x03C", f"{_LOGGED}/BrakePressure", Field(7, 12, True)),
    Hidden("drive", "telemetry/0x106", _PEDAL, Field(112, 12)),
    Hidden("drive", "thermal/0x030", "thermal/supervisor/CoolantCommand/ValveRequest", Field(0, 8)),
    Hidden("drive", "drive/0x101", "cabin/supervisor/VehicleStatus/Odometer", Field(24, 24)),
    Hidden("charge", "pack/0x0CA10001", f"{_CHARGER}/ChargerCurrent", Field(0, 16)),
    Hidden("charge", "pack/0x0CA10001", f"{_CHARGER}/ChargerVoltage", Field(16, 16)),
    Hidden("charge", "charge/0x18FF51E5", f"{_STATUS}/PackVoltage", Field(0, 16)),
    Hidden("charge", "charge/0x18FF51E5", f"{_STATUS}/PackCurrent", Field(16, 16)),
    Hidden("charge", "charge/0x18FF60E6", f"{_STATUS}/PackVoltage", Field(32, 16)),
)
