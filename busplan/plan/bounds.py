"""What a plan states for the bench test of single messages and signals: values only."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SignalBounds:
    """What a sound part shows of a signal on the bench: least, most, largest step in its unit.

    ``still``: whether it may stay as it is through a test; ``None``: nobody says.
    """

    low: float | None = None
    high: float | None = None
    step: float | None = None
    still: bool | None = None


@dataclass(frozen=True, slots=True)
class MessageBounds:
    """How exact a message has to be on the bench, where the plan says other than usual.

    ``cycle_tolerance`` is a share of the cycle, ``gap_ns`` the longest silence; ``signals`` are
    pairs of name and bounds.
    """

    cycle_tolerance: float | None = None
    gap_ns: int | None = None
    signals: tuple[tuple[str, SignalBounds], ...] = ()


USUAL_BOUNDS = MessageBounds()
