"""A pedal as it comes fresh from its maker's bench, wrong in ways that look well at first.

All of it is invented; that a receiver expects a counter to go up by one is common practice, no
source.
"""

from __future__ import annotations

import functools
import operator
import random
from collections.abc import Callable, Iterator

from truth.nodes import Book, Sent, TruthNode, crc8_j1850, cyclic
from truth.shop import Sends, definition, wave

COMMENT = 'CM_ SG_ 52 PedalChecksum "CRC-8 SAE J1850 over the other bytes";\n'
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


def or_of_all(data: bytes) -> int:
    """Exclusive or of all bytes."""
    return functools.reduce(operator.xor, data)


def pedal(
    counts: int = 1,
    pressed: float | None = None,
    check: Callable[[bytes], int] = crc8_j1850,
) -> Sends:
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
            return data[:7] + bytes([check(data[:7])])

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
        "fresh pedal as its comment says",
        "its checksum is the one that the comment of its definition names",
        dbc=PEDAL + COMMENT,
        sender="PEDAL",
        sends=pedal(),
        verdicts=("pass",),
    ),
    TruthNode(
        "fresh pedal of another checksum",
        "an exclusive or where the comment of its definition names a CRC",
        dbc=PEDAL + COMMENT,
        sender="PEDAL",
        sends=pedal(check=or_of_all),
        verdicts=("doubtful",),
        reasons=(("checksum-kind-differs",),),
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
