"""What to measure when nothing arrives: the bench's first-aid table.

Values: a terminator of 100 to 130 Ω, usually 120 Ω, at each end (ISO 11898-2), so 50 to 65 Ω across
the pair; recessive level 2.0 to 3.0 V on either line, at most 0.05 V apart, dominant about 3.5 V
and 1.5 V (ISO 11898-2, from memory). The order of the steps and the readings of a voltmeter on a
busy pair: common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

POWER_OFF_FIRST = (
    "Before any measurement: traction battery disconnected and locked out, pack untouched. These "
    "steps are for the 5 V signal pair only; never probe the high-voltage side."
)


class Step(NamedTuple):
    """One measurement: what to do, what it should read, what another reading means."""

    measure: str
    expect: str
    otherwise: str


STEPS = (
    Step(
        "Power off. Resistance across the pair (CAN-H to CAN-L)",
        "60 Ω (50 to 65 Ω)",
        "120 Ω: one terminator is missing. 40 Ω: one too many, often built into a part. "
        "Near 0 Ω: the lines touch. Open: broken wire or no terminator at all.",
    ),
    Step(
        "Power off. Resistance of each line to ground and to the supply",
        "above 1 kΩ",
        "Less: a crushed cable, water in a connector, a dead transceiver.",
    ),
    Step(
        "Power on, bus idle. Voltage of each line to ground",
        "both about 2.5 V (2.0 to 3.0 V), less than 0.05 V apart",
        "0 V or supply voltage: a short. Both near 0 V: no node is powered or awake.",
    ),
    Step(
        "Power on, node sending. Average voltage of each line to ground",
        "CAN-H a little above 2.5 V, CAN-L a little below",
        "The other way round: the two lines are swapped somewhere.",
    ),
    Step(
        "Ground of the adapter to ground of the node",
        "connected, below 1 V apart",
        "Floating or far apart: connect the grounds; the pair alone carries no reference.",
    ),
    Step(
        "Supply and wake-up line of the node",
        "within its data sheet",
        "Many nodes stay silent until a wake-up or ignition line has voltage.",
    ),
    Step(
        "Bit rate of adapter and node",
        "the same",
        "Only error frames, or none at all: search for it with --find-bit-rate.",
    ),
    Step(
        "Nodes on the bench that acknowledge",
        "at least one besides the node under test",
        "A node alone with a silent listener repeats its first frame for ever and may leave the "
        "bus. Add a second node, or let the adapter acknowledge.",
    ),
)
