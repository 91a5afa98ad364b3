"""What the steps of resolving a plan share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from busplan.definitions.dbc import Definitions
from busplan.findings import Finding
from busplan.plan.problems import Problems
from busplan.plan.schema import PlanSpec

LoadDefinitions = Callable[[Path], Definitions]


@dataclass(slots=True)
class Context:
    """The tables, where files lie, and what has been found so far."""

    spec: PlanSpec
    folder: Path
    load: LoadDefinitions
    problems: Problems
    definitions: dict[str, Definitions | None] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    incomplete: bool = False
    """Whether a part or node is broken, so that a name not found may simply not be read yet."""


def span_ns(ms: float | None) -> int | None:
    """A span of the plan [ms] in nanoseconds."""
    return None if ms is None else round(ms * 1_000_000)
