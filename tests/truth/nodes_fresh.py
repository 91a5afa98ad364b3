"""A pedal as it comes fresh from its maker's bench, wrong in ways that look well at first.

All of it is invented; that a receiver expects a counter to go up by one is common practice, no
source.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

from truth.nodes import Book, Sent, TruthNode, crc8_j1850, cyclic
from truth.shop import Sends, definition, wave

PEDAL = definition(
    "PEDAL",
    {52: 100},
    """
BO_ 52 PedalState: 8 PEDAL
 SG_ Travel : 0|12@1+ (0.025,0) [0|100] "%" OTHER
 SG_ TravelSecond : 12|12@1+ (0.025,0) [0|100] "%" OTHER
 SG_ PedalCounter : 48|4@1+ (1,0) [0|15] "" OTHER
 SG_ PedalChecksum : 56|8@1+ (1,0) [0|255] "" OTHER
""",
)


def pedal(counts: int = 1, pressed: float | None = None) -> Sends:
    """``counts``: by how much from frame to frame; ``pressed``: held there, in percent."""

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        def values(k: int) -> dict[str, float | str]:
            travel = wave(k, 50, 30, 130, dice) if pressed is None else pressed
            return {
                "Travel": travel,
                "TravelSecond": travel,
                "PedalCounter": counts * k % 16,
                "PedalChecksum": 0,
            }

        def seal(data: bytes) -> bytes:
            return data[:7] + bytes([crc8_j1850(data[:7])])

        yield from cyclic(book, "PedalState", 100, values, dice=dice, seal=seal)

    return sends


NODES = [
    TruthNode(
        "fresh pedal as defined",
        "as its definition says",
        dbc=PEDAL,
        sender="PEDAL",
        sends=pedal(),
        verdicts=("pass",),
    ),
    TruthNode(
        "fresh pedal that counts down",
        "its counter goes down by one from frame to frame",
        dbc=PEDAL,
        sender="PEDAL",
        sends=pedal(counts=-1),
        verdicts=("doubtful",),
        reasons=(("counter-counts-down",),),
    ),
    TruthNode(
        "fresh pedal at its stop",
        "held at 102 % where its definition ends at 100 %: the definition's places are right",
        dbc=PEDAL,
        sender="PEDAL",
        sends=pedal(pressed=102.0),
        verdicts=("fail",),
        reasons=(("signal-out-of-range",),),
        never=("definition-differs",),
    ),
]
