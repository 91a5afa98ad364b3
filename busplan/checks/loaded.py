"""What reading the plan and its definition files had to tolerate."""

from __future__ import annotations

from collections.abc import Iterable

from busplan.findings import Finding
from busplan.plan.vehicle import Vehicle


def check(vehicle: Vehicle) -> Iterable[Finding]:
    """The findings that loading left on the vehicle."""
    return vehicle.findings
