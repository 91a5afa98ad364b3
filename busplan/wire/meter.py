"""What a multimeter reads on the two wires of a network.

The rules of this file: resistances in ohms, lengths in metres; every value carries its source.
The meter sees the terminators in parallel, each through the wire to it and back; nodes without
power load the pair a little, which gives the lower end of a range.

Sources: two 120 Ω give 60 Ω, one missing 120, three 40 (a controller maker's manual); 70 mΩ/m for
0.25 to 0.34 mm² and 20 kΩ at least between the two pins of a node (a fieldbus adapter's manual);
idle and busy volts a van's service manual (2021) and the share of dominant bits in frames of known
length; recessive 2.0 to 3.0 V ISO 11898-2:2016 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

WIRE_OHM_PER_M = 0.070
"""Resistance of one wire where the plan does not state it [Ω/m]."""
NODE_OHM = 20_000.0
"""The least resistance of a node between its two pins [Ω]."""
RECESSIVE_V = (2.0, 3.0)
"""Each wire to ground while nobody sends [V]."""
DOMINANT_SHARE = (0.404, 0.672)
"""Dominant bits of all bits in frames, least and most of those counted."""


class Fitted(NamedTuple):
    """A terminator: where along the trunk [m], how long its branch is [m], and its value [Ω]."""

    at_m: float
    stub_m: float
    ohm: float


class Range(NamedTuple):
    """The least and the most of a reading."""

    least: float
    most: float


def pair_reading(
    terminators: Sequence[Fitted],
    at_m: float,
    *,
    stub_m: float = 0.0,
    here_ohm: float | None = None,
    ohm_per_m: float = WIRE_OHM_PER_M,
    nodes: int = 0,
) -> Range | None:
    """Resistance across the pair [Ω] with the power off, measured at a place along the trunk.

    ``stub_m`` is the branch that the meter is at the end of, and ``here_ohm`` a terminator there,
    which is none of ``terminators``. The most is without any node, the
    least with ``nodes`` of :data:`NODE_OHM`. ``None`` without a terminator.
    """
    sides = [
        _seen([t for t in terminators if t.at_m < at_m], at_m, ohm_per_m),
        _seen([t for t in terminators if t.at_m >= at_m], at_m, ohm_per_m),
    ]
    conductance = sum(1 / ohm for ohm in sides if ohm is not None)
    if not conductance and here_ohm is None:
        return None
    branch, own = 2 * ohm_per_m * stub_m, 0.0 if here_ohm is None else 1 / here_ohm

    def reading(load: float) -> float:
        far = conductance + load
        return 1 / (own + (1 / (branch + 1 / far) if far else 0.0))

    return Range(reading(nodes / NODE_OHM), reading(0.0))


def _seen(side: Sequence[Fitted], at_m: float, ohm_per_m: float) -> float | None:
    """Terminators on one side, farthest first, each in parallel with what lies behind it."""
    ohm: float | None = None
    far = at_m
    for fitted in sorted(side, key=lambda t: -abs(t.at_m - at_m)):
        own = fitted.ohm + 2 * ohm_per_m * fitted.stub_m
        if ohm is not None:
            behind = ohm + 2 * ohm_per_m * abs(far - fitted.at_m)
            own = 1 / (1 / own + 1 / behind)
        ohm, far = own, fitted.at_m
    return None if ohm is None else ohm + 2 * ohm_per_m * abs(far - at_m)


def busy_volts(load: float) -> tuple[Range, Range]:
    """Mean volts of CAN_H and of CAN_L to ground at a load (a fraction of the time).

    Nominal levels, 3.5 and 1.5 V dominant: a wire is off 2.5 V by load times dominant share.
    """
    least, most = (load * share for share in DOMINANT_SHARE)
    return Range(2.5 + least, 2.5 + most), Range(2.5 - most, 2.5 - least)
