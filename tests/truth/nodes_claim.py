"""A J1939 part that restarts, with and without the claims that are due.

Written down before the rule that judges them. All are invented. That a node claims its address
before it sends, at each start, is SAE J1939-81's (from memory).
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping

from truth.nodes import Book, Sent, TruthNode, cyclic
from truth.shop import Sends, definition, wave

LIFT_STATE, LIFT_HEAT = 0x98FF4155, 0x98FF4255
LIFT = definition(
    "LIFT",
    {LIFT_STATE: 100, LIFT_HEAT: 250},
    f"""
BO_ {LIFT_STATE} LiftState: 8 LIFT
 SG_ LiftHeight : 0|16@1+ (0.1,0) [0|1500] "mm" OTHER
 SG_ OilPressure : 16|16@1+ (0.01,0) [0|300] "bar" OTHER
 SG_ LiftCounter : 32|8@1+ (1,0) [0|255] "" OTHER
BO_ {LIFT_HEAT} LiftHeat: 8 LIFT
 SG_ OilTemperature : 0|16@1+ (0.1,-40) [-40|150] "degC" OTHER
 SG_ HeatCounter : 16|8@1+ (1,0) [0|255] "" OTHER
""",
)
NAME = (0x4321 | 1999 << 21 | 1 << 63).to_bytes(8, "little")
"""Identity, maker's number, may move."""
DOWN_S = 0.7


def claim(at_s: float) -> Sent:
    """Its claim of address 0x55."""
    return Sent(at_s, 0x18EEFF55, NAME, extended=True)


def lift_sends(claims: tuple[float, ...], *, again: bool = True) -> Sends:
    """What it sends: silent from 9 s for 0.7 s; its counters begin anew unless not ``again``."""

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        yield from map(claim, claims)
        lives = [(0.3, 9.0, 0), (9.0 + DOWN_S + 0.3, 20.0, 1)]
        for begin, end, life in lives:
            gone = 0 if again or not life else round((lives[1][0] - lives[0][0]) * 1e3)

            def state(k: int, gone: int = gone) -> Mapping[str, float | str]:
                k += gone // 100
                return {
                    "LiftHeight": wave(k, 700, 60, 130, dice),
                    "OilPressure": wave(k, 120, 9, 70, dice),
                    "LiftCounter": k % 256,
                }

            def heat(k: int, gone: int = gone) -> Mapping[str, float | str]:
                k += gone // 250
                return {"OilTemperature": wave(k, 38, 2, 60, dice), "HeatCounter": k % 256}

            for name, every, f in (("LiftState", 100, state), ("LiftHeat", 250, heat)):
                yield from cyclic(
                    book, name, every, f, dice=dice, first_ms=begin * 1e3, until_s=end
                )

    return sends


NODES: list[TruthNode] = [
    TruthNode(
        "lift that claims again",
        "J1939: restarts at 9 s, and claims its address before it sends, both times",
        dbc=LIFT,
        sender="LIFT",
        network="bit_rate = 250_000\nj1939 = true",
        sends=lift_sends((0.02, 9.0 + DOWN_S + 0.02)),
        verdicts=("fail",),
        reasons=(("node-restarts",),),
        never=("claim-not-again", "claim-late", "address-contested"),
    ),
    TruthNode(
        "lift that claims only once",
        "J1939: restarts at 9 s, and sends again without a claim",
        dbc=LIFT,
        sender="LIFT",
        network="bit_rate = 250_000\nj1939 = true",
        sends=lift_sends((0.02,)),
        verdicts=("fail",),
        reasons=(("node-restarts",), ("claim-not-again",)),
        never=("claim-late", "address-contested"),
    ),
    TruthNode(
        "lift that claims again too late",
        "J1939: restarts at 9 s, and claims its address 2 s after it sends again",
        dbc=LIFT,
        sender="LIFT",
        network="bit_rate = 250_000\nj1939 = true",
        sends=lift_sends((0.02, 12.0)),
        verdicts=("fail",),
        reasons=(("node-restarts",), ("claim-not-again", "claim-late")),
        never=("address-contested",),
    ),
    TruthNode(
        "lift whose wire was off",
        "J1939: its wire was off for a second; it counted on, so nothing has to be claimed",
        dbc=LIFT,
        sender="LIFT",
        network="bit_rate = 250_000\nj1939 = true",
        sends=lift_sends((0.02,), again=False),
        verdicts=("doubtful", "fail"),
        reasons=(("node-pauses", "gap-too-long"),),
        never=("claim-not-again", "claim-late", "node-restarts"),
    ),
]
