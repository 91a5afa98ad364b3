"""Judgements of a plan as documents: all begin and end alike."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from busplan.findings import Finding, count_findings
from busplan.plan.vehicle import Vehicle


def whose(vehicle: Vehicle) -> dict[str, Any]:
    """Whose plan a document tells of, and whether it is invented."""
    return {"vehicle": vehicle.name, "invented": vehicle.invented}


def judgement(
    vehicle: Vehicle, told: Mapping[str, Any], findings: Collection[Finding]
) -> dict[str, Any]:
    """Plain values for JSON: whose plan, what is ``told`` of it, and the findings, counted."""
    return {
        **whose(vehicle),
        **told,
        "counts": count_findings(findings),
        "findings": [f.as_dict() for f in findings],
    }
