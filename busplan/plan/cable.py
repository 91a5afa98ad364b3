"""The cable of a network, as far as the plan tells it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

START, END = "start", "end"
"""The two ends of a trunk, where a plan says where a terminator sits."""


@dataclass(frozen=True, slots=True)
class Tap:
    """How one node is joined to the cable; ``None`` where the plan does not say."""

    connector: str | None = None
    high_pin: str | None = None
    low_pin: str | None = None
    ground_pin: str | None = None
    shield_pin: str | None = None
    label: str | None = None


@dataclass(frozen=True, slots=True)
class Cable:
    """The cable of a network. Lengths [m]; terminators as fitted on the cable [Ω].

    Terminators built into parts are stated on the part, not here. ``None`` means not stated.

    * ``terminators_ohm``: ``None`` where not stated, empty where the plan says there is none;
    * ``order``: the nodes along the trunk; ``segments_m``: the length from each to the next;
    * ``terminators_at``: where each of ``terminators_ohm`` sits (a node, "start" or "end"), empty
      when not stated;
    * ``wire_ohm_per_m``: resistance of one wire [Ω/m];
    * ``taps``: by node, how it is joined.
    """

    trunk_m: float | None = None
    stubs_m: Mapping[str, float] = field(default_factory=dict)
    terminators_ohm: tuple[float, ...] | None = None
    order: tuple[str, ...] = ()
    segments_m: tuple[float, ...] = ()
    terminators_at: tuple[str, ...] = ()
    wire: str | None = None
    wire_ohm_per_m: float | None = None
    high_colour: str | None = None
    low_colour: str | None = None
    shielded: bool | None = None
    shield_ground_at: str | None = None
    taps: Mapping[str, Tap] = field(default_factory=dict)
