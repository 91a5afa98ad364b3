"""What a node must tell of itself: versions, serial numbers, settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from busplan.plan.address import SignalAddress

Allowed = tuple[float | str, ...]
"""Values of which one must be told: numbers, names of states, or texts."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What one node must tell. ``texts`` are J1939 identifications by the name of their group.

    ``alike`` are signals that all nodes of the same part must show alike.
    """

    node: str
    signals: Mapping[SignalAddress, Allowed] = field(default_factory=dict)
    alike: tuple[SignalAddress, ...] = ()
    texts: Mapping[str, Allowed] = field(default_factory=dict)
