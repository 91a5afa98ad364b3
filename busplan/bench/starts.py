"""What the power-ons of a test showed: values only."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

from busplan.wording import plain

BY_HAND = "by hand"
BY_SUPPLY = "by the supply signal"


class Edge(NamedTuple):
    """The supply came within these moments [ns]; by what that is known."""

    from_ns: int
    to_ns: int
    known: str


class StartUp(NamedTuple):
    """Time from power-on to the first frame: at least and at most [ns]; by what that is known."""

    least_ns: int
    most_ns: int
    known: str

    @classmethod
    def since(cls, edge: Edge, first_ns: int) -> StartUp:
        """The start of a node whose first frame came then [ns]."""
        return cls(first_ns - edge.to_ns, first_ns - edge.from_ns, edge.known)

    @property
    def told(self) -> str:
        """The time in words, with how sure it is."""
        least, most = self.least_ns / 1e9, self.most_ns / 1e9
        if self.least_ns >= self.most_ns:
            return f"{most:.3f} s after power-on"
        if self.known == BY_HAND:
            hand = most - least
            return (
                f"{most:.3f} s after power-on, of which up to {plain(hand, 3)} s may be the "
                "hand that switched"
            )
        same = "" if self.known == BY_SUPPLY else ", if both hang on one supply"
        return f"{least:.3f} to {most:.3f} s after power-on (known {self.known}{same})"


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
    """All power-ons of a test: how many were seen, the node's first frame after each.

    ``first_s`` is at most so long [s] after the supply, ``least_s`` at least; ``known`` by what;
    ``numbers`` are the power-ons that these are of, counted from 1.
    After ``gone`` of them nothing of the node was heard any more, or not before it went off again;
    over ``lost`` of them the recording is not whole, which then say nothing.
    """

    wanted: int
    seen: int
    first_s: tuple[float, ...]
    least_s: tuple[float, ...]
    known: tuple[str, ...]
    numbers: tuple[int, ...]
    messages: tuple[MessageStart, ...]
    gone: int = 0
    lost: int = 0

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)
