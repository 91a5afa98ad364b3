"""An inverter and a current sensor as a conversion shop's bench meets them.

Their author has not seen the judging code; what is true of each was written down before the first
of them was judged. All are invented.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator, Mapping

from truth.nodes import Book, Sent, TruthNode, cyclic
from truth.shop import Sends, definition, wave

# An inverter on 11-bit identifiers: torque and speed fast, temperatures slowly.

INVERTER_MOTION = """
BO_ 288 InverterMotion: 8 INVERTER
 SG_ MotorTorque : 0|16@{order} (0.1,0) [{low}|{high}] "Nm" OTHER
 SG_ MotorSpeed : 16|16@1+ (0.5,0) [0|9000] "rpm" OTHER
 SG_ LinkVoltage : 32|16@1+ (0.1,0) [0|450] "V" OTHER
 SG_ MotionCounter : 48|{bits}@1+ (1,0) [0|{top}] "" OTHER
"""
INVERTER_HEAT = """
BO_ 304 InverterHeat: 4 INVERTER
 SG_ StageTemperature : 0|8@1+ (1,-40) [-40|210] "degC" OTHER
 SG_ MotorTemperature : 8|8@1+ (1,-40) [-40|210] "degC" OTHER
 SG_ BoardVoltage : 16|16@1+ (0.01,0) [0|32] "V" OTHER
"""


def inverter(
    *, order: str = "1-", low: int = -300, high: int = 300, bits: int = 4, top: int = 15
) -> str:
    """The inverter's definition, or one a little off."""
    motion = INVERTER_MOTION.format(order=order, low=low, high=high, bits=bits, top=top)
    return definition("INVERTER", {288: 20, 304: 500}, motion + INVERTER_HEAT)


def inverter_sends(
    motion_ms: float = 20.0,
    count: int = 16,
    link: float = 1.0,
    board: float = 1.0,
    stage: float | None = None,
    loose: int = 0,
    rests: bool = False,
    greets: bool = False,
) -> Sends:
    """What an inverter sends; ``link`` and ``board`` multiply its two voltages.

    ``stage`` is what its stage temperature stands at, each ``loose``-th frame comes without it.
    """

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        def motion(k: int) -> Mapping[str, float | str]:
            return {
                "MotorTorque": wave(k, 30, 120, 310, dice),
                "MotorSpeed": wave(k, 3000, 1400, 770, dice),
                "LinkVoltage": link * wave(k, 352, 6, 420, dice),
                "MotionCounter": k % count,
            }

        def heat(k: int) -> Mapping[str, float | str]:
            warm = round(wave(k, 41, 6, 60, dice)) if stage is None else stage
            return {
                "StageTemperature": -40 if loose and k % loose == loose - 1 else warm,
                "MotorTemperature": round(wave(k, 55, 4, 47, dice)),
                "BoardVoltage": board * wave(k, 13.6, 0.3, 33, dice),
            }

        if greets:
            yield from (Sent(0.0005 + 0.001 * k, 0x7A5, bytes([k, 0x11])) for k in range(2))
        # Where it rests, its task stands still for 0.8 s after each 7 s and goes on where it was.
        for frame in cyclic(book, "InverterMotion", motion_ms, motion, dice=dice):
            moved = 0.8 * int(frame.at_s / 7.0) if rests else 0.0
            yield frame._replace(at_s=frame.at_s + moved)
        for frame in cyclic(book, "InverterHeat", 500, heat, dice=dice, first_ms=12):
            moved = 0.8 * int(frame.at_s / 7.0) if rests else 0.0
            yield frame._replace(at_s=frame.at_s + moved)

    return sends


# A current sensor that speaks big-endian; two messages of equal length and rate.

SHUNT = """
BO_ {first} ShuntCurrent: 6 SHUNT
 SG_ PackCurrent : {a}|16@{order}- (0.1,0) [-600|600] "A" OTHER
 SG_ ShuntTemperature : {b}|16@{order}+ (0.1,-40) [-40|150] "degC" OTHER
 SG_ CurrentCounter : 32|8@1+ (1,0) [0|255] "" OTHER
BO_ {second} ShuntVoltage: 6 SHUNT
 SG_ PackVoltage : {a}|16@{order}+ (0.01,0) [250|420] "V" OTHER
 SG_ LinkVoltage : {b}|16@{order}+ (0.01,0) [250|420] "V" OTHER
 SG_ VoltageCounter : 32|8@1+ (1,0) [0|255] "" OTHER
"""


def shunt(*, first: int = 962, second: int = 963, big: bool = True, ranges: bool = True) -> str:
    """The sensor's definition; ``[0|0]`` states no range."""
    a, b, order = (7, 23, 0) if big else (0, 16, 1)
    text = SHUNT.format(first=first, second=second, a=a, b=b, order=order)
    text = text if ranges else re.sub(r"\[[-\d]+\|(150|420|600)\]", "[0|0]", text)
    return definition("SHUNT", {first: 50, second: 50}, text)


def shunt_sends(book: Book, dice: random.Random) -> Iterator[Sent]:
    """What it sends."""

    def current(k: int) -> Mapping[str, float | str]:
        return {
            "PackCurrent": wave(k, 35, 90, 260, dice),
            "ShuntTemperature": wave(k, 31, 2, 900, dice),
            "CurrentCounter": k % 256,
        }

    def voltage(k: int) -> Mapping[str, float | str]:
        return {
            "PackVoltage": wave(k, 352, 5, 260, dice),
            "LinkVoltage": wave(k, 351, 5, 260, dice),
            "VoltageCounter": k % 256,
        }

    yield from cyclic(book, "ShuntCurrent", 50, current, dice=dice)
    yield from cyclic(book, "ShuntVoltage", 50, voltage, dice=dice, first_ms=9)


NODES: list[TruthNode] = [
    TruthNode(
        "inverter with signed torque",
        "its definition takes the torque as unsigned",
        dbc=inverter(order="1+", low=0),
        really=inverter(),
        sender="INVERTER",
        sends=inverter_sends(),
        verdicts=("fail",),
        reasons=(("signal-out-of-range", "definition-differs"),),
        never=("counter-skips",),
    ),
    TruthNode(
        "shunt that is big-endian",
        "its definition is little-endian",
        dbc=shunt(big=False),
        really=shunt(),
        sender="SHUNT",
        sends=shunt_sends,
        verdicts=("fail",),
        reasons=(("definition-differs",),),
        never=("counter-skips", "checksum-wrong"),
    ),
    TruthNode(
        "inverter with ten times the link voltage",
        "0.01 V a bit where its definition says 0.1 V, so 3520 V where 450 V is the most",
        dbc=inverter(),
        sender="INVERTER",
        sends=inverter_sends(link=10),
        verdicts=("fail",),
        reasons=(("signal-out-of-range", "definition-differs"),),
    ),
    TruthNode(
        "inverter with a tenth of its supply",
        "1.36 V is within its definition, but not within what the plan says of this bench",
        dbc=inverter(),
        sender="INVERTER",
        sends=inverter_sends(board=0.1),
        plan='[message."bench/InverterHeat".limits.BoardVoltage]\nlow = 11\nhigh = 15',
        verdicts=("fail",),
        reasons=(("signal-beyond-plan",),),
        never=("signal-out-of-range",),
    ),
    TruthNode(
        "inverter that rests",
        "silent for 0.8 s after each 7 s; its counter goes on where it stood",
        dbc=inverter(),
        sender="INVERTER",
        sends=inverter_sends(rests=True),
        verdicts=("doubtful",),
        reasons=(("node-pauses", "gap-too-long"),),
        never=("node-restarts", "counter-skips", "cycle-time-off"),
    ),
    TruthNode(
        "inverter at half its rate",
        "its motion comes every 40 ms where its definition says 20 ms",
        dbc=inverter(),
        sender="INVERTER",
        sends=inverter_sends(motion_ms=40),
        verdicts=("fail",),
        reasons=(("cycle-time-off",),),
        never=("counter-skips", "node-pauses"),
    ),
    TruthNode(
        "inverter that counts to seven",
        "a counter of 3 bits in a field of 4",
        dbc=inverter(),
        sender="INVERTER",
        sends=inverter_sends(count=8),
        verdicts=("doubtful",),
        reasons=(("counter-wraps-early",),),
        never=("counter-skips", "node-restarts"),
    ),
    TruthNode(
        "inverter with an open sensor",
        "its stage temperature sits at -40 degrees",
        dbc=inverter(),
        sender="INVERTER",
        sends=inverter_sends(stage=-40),
        verdicts=("doubtful",),
        reasons=(("signal-at-end",),),
    ),
    TruthNode(
        "shunt with two identifiers swapped",
        "current under the voltage's identifier and the other way round; lengths and rates alike",
        dbc=shunt(),
        really=shunt(first=963, second=962),
        sender="SHUNT",
        sends=shunt_sends,
        verdicts=("fail",),
        reasons=(("identifiers-swapped",),),
        never=("message-missing", "cycle-time-off"),
    ),
    TruthNode(
        "inverter as defined",
        "healthy; the others of its kind differ from it in one thing each",
        dbc=inverter(),
        sender="INVERTER",
        sends=inverter_sends(),
        verdicts=("pass",),
    ),
    TruthNode(
        "shunt as defined",
        "healthy, big-endian",
        dbc=shunt(),
        sender="SHUNT",
        sends=shunt_sends,
        verdicts=("pass",),
    ),
    TruthNode(
        "inverter that greets",
        "healthy but for two frames of its boot loader at the start, which no definition has",
        dbc=inverter(),
        sender="INVERTER",
        sends=inverter_sends(greets=True),
        verdicts=("fail",),
        reasons=(("message-undefined",),),
        never=("node-restarts",),
    ),
    TruthNode(
        "inverter with a loose sensor",
        "its stage temperature falls from 41 to -40 degrees and back, in 1 of 10 frames",
        dbc=inverter(),
        sender="INVERTER",
        sends=inverter_sends(loose=10),
        verdicts=("doubtful", "fail"),
        reasons=(("signal-at-end",),),
    ),
    TruthNode(
        "shunt that is big-endian, without ranges",
        "its definition is little-endian and states no range; as defined all values leap about",
        dbc=shunt(big=False, ranges=False),
        really=shunt(ranges=False),
        sender="SHUNT",
        sends=shunt_sends,
        verdicts=("doubtful", "fail"),
        reasons=(("definition-differs",),),
    ),
]
