"""What reading the plan and its definition files had to tolerate."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from busplan.findings import Finding
from busplan.plan.vehicle import Vehicle

CODES: Mapping[str, str] = {
    "pack-cell-missing": "The plan's [pack] section counts on a cell voltage that no definition "
    "has. The cell is left out of every judgement of the pack.",
    "pack-sensor-missing": "The plan's [pack] section counts on a temperature sensor that no "
    "definition has. The sensor is left out of every judgement of the pack.",
    "pack-signal-doubled": "One signal stands for two cells or sensors of the pack, so one of the "
    "two is not measured at all.",
}


def check(vehicle: Vehicle) -> Iterable[Finding]:
    """The findings that loading left on the vehicle."""
    return vehicle.findings
