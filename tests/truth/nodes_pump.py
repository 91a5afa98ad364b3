"""An invented pump that hangs, stutters, repeats itself or has one value the other way round."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping

from truth.nodes import Book, Sent, TruthNode, cyclic

DBC = """VERSION ""
BU_: PUMP
BO_ 500 PumpState: 8 PUMP
 SG_ Count : 0|4@1+ (1,0) [0|15] "" PUMP
 SG_ Flow : 15|16@0- (0.1,0) [-100|400] "l/min" PUMP
 SG_ Temp : 24|8@1+ (1,-40) [-40|150] "degC" PUMP
 SG_ Rpm : 32|16@1+ (1,0) [0|9000] "rpm" PUMP
BO_ 501 PumpTell: 8 PUMP
 SG_ Page M : 0|4@1+ (1,0) [0|3] "" PUMP
 SG_ Volts m0 : 8|16@1+ (0.01,0) [0|30] "V" PUMP
 SG_ Amps m1 : 8|16@1- (0.01,0) [-50|50] "A" PUMP
 SG_ Life m2 : 8|32@1+ (1,0) [0|4000000000] "s" PUMP
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;
BA_ "GenMsgCycleTime" BO_ 500 100;
BA_ "GenMsgCycleTime" BO_ 501 100;
"""
Row = Mapping[str, float | str]


def state(k: int) -> Row:
    """Flow and speed swing, the pump warms slowly."""
    flow, rpm = 20 * math.sin(k / 20) - 10, 2000 + int(300 * math.sin(k / 15))
    return {"Count": k % 16, "Flow": round(flow, 1), "Temp": 30 + k // 40, "Rpm": rpm}


def tell(k: int) -> Row:
    """Three pages in turn."""
    pages: list[Row] = [
        {"Page": 0, "Volts": round(12 + 0.1 * math.sin(k / 9), 2)},
        {"Page": 1, "Amps": round(3 * math.sin(k / 8), 2)},
        {"Page": 2, "Life": 4000 + k // 10},
    ]
    return pages[k % 3]


def pump(book: Book, dice: random.Random) -> Iterator[Sent]:
    """As defined."""
    yield from cyclic(book, "PumpState", 100, state, dice=dice)
    yield from cyclic(book, "PumpTell", 100, tell, dice=dice, first_ms=9)


def hangs(book: Book, dice: random.Random) -> Iterator[Sent]:
    """Flow and speed, with a sensor's noise, stand still from the seventh second on."""
    noise = [(dice.choice((-2.0, 0.0, 2.0)), dice.randint(-60, 60)) for _ in range(61)]

    def hung(k: int) -> Row:
        then = state(min(k, 60))
        flow, rpm = noise[min(k, 60)]
        values = {"Flow": round(float(then["Flow"]) + flow, 1), "Rpm": int(then["Rpm"]) + rpm}
        return {**then, **values, "Count": k % 16}

    yield from cyclic(book, "PumpState", 100, hung, dice=dice)
    yield from cyclic(book, "PumpTell", 100, tell, dice=dice, first_ms=9)


def stutters(book: Book, dice: random.Random) -> Iterator[Sent]:
    """Distances of 50 and 150 ms in turn: the right rate, unevenly."""
    yield from cyclic(book, "PumpState", lambda k: 50 if k % 2 else 150, state, dice=dice)
    yield from cyclic(book, "PumpTell", 100, tell, dice=dice, first_ms=9)


def repeats(book: Book, dice: random.Random) -> Iterator[Sent]:
    """One frame in ten goes out twice."""
    for frame in pump(book, dice):
        yield frame
        if frame.identifier == 500 and dice.random() < 0.1:
            yield frame._replace(at_s=frame.at_s + 0.002)


def two_pages(book: Book, dice: random.Random) -> Iterator[Sent]:
    """Of the pages two came, the third never did."""
    for frame in pump(book, dice):
        if not (frame.identifier == 501 and frame.data[0] & 15 == 2):
            yield frame


def wakes_late(book: Book, dice: random.Random) -> Iterator[Sent]:
    """The second message comes only from the seventh second on."""
    for frame in pump(book, dice):
        if frame.identifier == 500 or frame.at_s > 6:
            yield frame


def shorter_later(book: Book, dice: random.Random) -> Iterator[Sent]:
    """From the sixteenth second on two bytes are missing."""
    for frame in pump(book, dice):
        cut = frame.identifier == 500 and frame.at_s > 15
        yield frame._replace(data=frame.data[:6]) if cut else frame


NODES = [
    TruthNode("pump", "healthy, with pages", DBC, "PUMP", pump, ("pass",)),
    TruthNode(
        *("pump that hangs", "values stand still", DBC, "PUMP", hangs, ("doubtful", "fail")),
        (("values-freeze",),),
    ),
    TruthNode(
        *("pump that stutters", "50 and 150 ms in turn", DBC, "PUMP", stutters, ("doubtful",)),
        (("jitter-large",),),
    ),
    TruthNode(
        *("pump that repeats itself", "frames twice", DBC, "PUMP", repeats, ("fail",)),
        (("counter-repeats",),),
    ),
    TruthNode(
        *("pump with one value turned", "byte order of one value", DBC, "PUMP", pump, ("fail",)),
        (("definition-differs",),),
        really=DBC.replace("15|16@0-", "8|16@1-"),
    ),
    TruthNode(
        *("pump that wakes late", "a message is missing at first", DBC, "PUMP", wakes_late),
        *(("doubtful",), (("message-begins-late",),)),
    ),
    TruthNode(
        *("pump that shortens", "shorter from a moment on", DBC, "PUMP", shorter_later),
        *(("fail",), (("payload-short",),), ("two-senders-likely",)),
    ),
    TruthNode(
        *("pump without a page", "one page of three is missing", DBC, "PUMP", two_pages),
        *(("not proven", "doubtful", "fail"), (("signal-not-seen",),)),
    ),
]
