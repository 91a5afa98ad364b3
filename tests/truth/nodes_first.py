"""Four nodes to show how more are added; see ``truth.nodes``. The unit is invented."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping

from truth.nodes import Book, Sent, TruthNode, cyclic, sealed_last

DBC = """VERSION "3.1"
BU_: HEATER
BO_ 401 HeaterState: 8 HEATER
 SG_ Count : 0|4@1+ (1,0) [0|15] "" HEATER
 SG_ Mode : 4|4@1+ (1,0) [0|15] "" HEATER
 SG_ Inlet : 8|12@1+ (0.1,-40) [-40|120] "degC" HEATER
 SG_ Outlet : 24|12@1+ (0.1,-40) [-40|120] "degC" HEATER
 SG_ Supply : 40|10@1+ (0.02,0) [0|18] "V" HEATER
 SG_ Crc : 56|8@1+ (1,0) [0|255] "" HEATER
BO_ 402 HeaterInfo: 4 HEATER
 SG_ SoftwareVersion : 0|8@1+ (0.1,0) [0|25.5] "" HEATER
 SG_ Hours : 8|24@1+ (0.1,0) [0|1000000] "h" HEATER
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;
BA_ "GenMsgCycleTime" BO_ 401 50;
BA_ "GenMsgCycleTime" BO_ 402 1000;
VAL_ 401 Mode 0 "off" 1 "standby" 2 "heating" 3 "fault" ;
"""
MOVED = DBC.replace("Outlet : 24|12", "Outlet : 20|12").replace("Supply : 40|10", "Supply : 32|10")


def state(k: int) -> Mapping[str, float | str]:
    """The heater warms up slowly."""
    inlet = 20 + 15 * (1 - math.exp(-k / 150))
    return {
        "Count": k % 16,
        "Mode": 2,
        "Inlet": round(inlet + 0.3 * math.sin(k / 9), 1),
        "Outlet": round(inlet + 4 + 0.4 * math.sin(k / 7), 1),
        "Supply": round(13 + 0.2 * math.sin(k / 5), 2),
        "Crc": 0,
    }


def heater(
    book: Book, dice: random.Random, version: float = 3.1, jitter_ms: float = 1.0
) -> Iterator[Sent]:
    """A healthy heater."""
    yield from cyclic(
        book, "HeaterState", 50, state, dice=dice, jitter_ms=jitter_ms, seal=sealed_last
    )
    info = {"SoftwareVersion": version, "Hours": 812.4}
    yield from cyclic(book, "HeaterInfo", 1000, lambda k: info, dice=dice, first_ms=31)


def stuck_crc(book: Book, dice: random.Random) -> Iterator[Sent]:
    """Its checksum never changes."""
    for frame in heater(book, dice):
        wrong = frame.identifier == 401
        yield frame._replace(data=frame.data[:-1] + b"\x5a") if wrong else frame


NODES = [
    TruthNode("heater", "healthy", DBC, "HEATER", heater, ("pass",)),
    TruthNode(
        *("heater of another version", "as defined, but its software is 3.2", DBC, "HEATER"),
        lambda book, dice: heater(book, dice, 3.2),
        *(("pass",), (("definition-version-differs",),)),
    ),
    TruthNode(
        "heater with packed values",
        "temperatures of 12 bits right behind each other",
        *(DBC, "HEATER", heater, ("fail",), (("definition-differs",),)),
        really=MOVED,
    ),
    TruthNode(
        "heater with a dead checksum",
        "the checksum byte stands still while all else moves",
        *(DBC, "HEATER", stuck_crc, ("fail", "doubtful")),
        (("checksum-wrong", "checksum-unknown", "checksum-still"),),
    ),
]
