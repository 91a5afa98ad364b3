"""What a node must tell of itself: versions, serial numbers, settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from busplan.frames.identifier import FrameKey
from busplan.plan.address import SignalAddress

Allowed = tuple[float | str, ...]
"""Values of which one must be told: numbers, names of states, or texts."""


Alike = SignalAddress | str | int
"""A signal, a J1939 identification by the name of its group, or an ISO 14229 data identifier."""


@dataclass(frozen=True, slots=True)
class Answers:
    """What a node must answer when its data are read by identifier (ISO 14229-1, service 0x22).

    ``key`` is what its answers come under, ``ask`` the identifier of the question where known.
    """

    key: FrameKey
    ask: int | None = None
    read: Mapping[int, Allowed] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Expected:
    """What one node must tell. ``texts`` are J1939 identifications by the name of their group.

    ``alike`` is what all nodes of the same part must tell alike.
    """

    node: str
    signals: Mapping[SignalAddress, Allowed] = field(default_factory=dict)
    alike: tuple[Alike, ...] = ()
    texts: Mapping[str, Allowed] = field(default_factory=dict)
    answers: Answers | None = None

    def on(self, network: str) -> Expected:
        """What of it can be told on one network; identifications on any."""
        alike = tuple(a for a in self.alike if not isinstance(a, SignalAddress) or a[0] == network)
        here = self.answers is not None and self.answers.key.network == network
        return replace(
            self,
            signals={a: v for a, v in self.signals.items() if a.network == network},
            alike=alike,
            answers=self.answers if here else None,
        )
