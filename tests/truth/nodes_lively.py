"""A healthy node whose values leap, and reach their ends, of their own accord.

By the author of the judging code: each value is what one of its rules must not mistake for a loose
wire or for another byte order.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping

from truth.nodes import Book, Sent, TruthNode, cyclic
from truth.shop import definition

LIVELY = """
BO_ 336 Lively: 4 LIVELY
 SG_ Noise : 0|8@1+ (1,-40) [0|0] "degC" OTHER
 SG_ Sweep : 8|8@1+ (1,-128) [0|0] "mm" OTHER
 SG_ Scatter : 16|16@1+ (0.1,0) [0|0] "A" OTHER
BO_ 337 Clocks: 4 LIVELY
 SG_ FastClock : 0|16@1+ (1,0) [0|0] "us" OTHER
 SG_ OtherClock : 16|16@1+ (1,0) [0|0] "us" OTHER
"""


def lively(book: Book, dice: random.Random) -> Iterator[Sent]:
    """Noise over all its bits, a sweep that begins again at its end, scatter; two clocks.

    The high bytes of the clocks run, their low bytes creep: 0x1401 and 0x2F01 a frame.
    """

    def values(k: int) -> Mapping[str, float | str]:
        return {
            "Noise": dice.randrange(256) - 40,
            "Sweep": (7 * k) % 256 - 128,
            "Scatter": dice.randrange(65536) / 10,
        }

    def clocks(k: int) -> Mapping[str, float | str]:
        return {"FastClock": (0x1401 * k) % 65536, "OtherClock": (0x2F01 * k) % 65536}

    yield from cyclic(book, "Lively", 20, values, dice=dice)
    yield from cyclic(book, "Clocks", 100, clocks, dice=dice, first_ms=9)


NODES: list[TruthNode] = [
    TruthNode(
        "lively node",
        "healthy; its values leap and reach their ends by themselves",
        dbc=definition("LIVELY", {336: 20, 337: 100}, LIVELY),
        sender="LIVELY",
        sends=lively,
        verdicts=("pass",),
    )
]
