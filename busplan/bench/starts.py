"""What the power-ons of a test showed: values only."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class MessageStart:
    """First frames of a message: in how many cycles, and when after the node's first one [ms].

    ``first_counts`` are the counter values it began with; ``wrong`` in how many cycles a checksum
    among the first frames was wrong.
    """

    message: str
    cycles: int
    least_ms: float | None
    middle_ms: float | None
    most_ms: float | None
    first_counts: tuple[int, ...]
    wrong: int


@dataclass(frozen=True, slots=True)
class PowerCycles:
    """All power-ons of a test: how many were seen, the node's first frame after each prompt [s]."""

    wanted: int
    seen: int
    first_s: tuple[float, ...]
    messages: tuple[MessageStart, ...]

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)
