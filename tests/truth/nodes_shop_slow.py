"""A converter, monitors, a selector and a heater as a conversion shop's bench meets them.

Their author has not seen the judging code; what is true of each was written down before the first
of them was judged. All are invented. Lamps and fault numbers of DM1 lie as in SAE J1939-73, the
NAME of an address claim as in SAE J1939-81 (both from memory).
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping

from truth.nodes import Book, Sent, TruthNode, cyclic
from truth.shop import Sends, definition, wave

# A DC-DC converter with J1939 identifiers, address 0x82.

DCDC_OUT, DCDC_HEAT = 0x98FF3182, 0x98FF3282
DCDC = definition(
    "DCDC",
    {DCDC_OUT: 100, DCDC_HEAT: 1000},
    f"""
BO_ {DCDC_OUT} ConverterOutput: 8 DCDC
 SG_ OutputVoltage : 0|16@1+ (0.01,0) [0|32] "V" OTHER
 SG_ OutputCurrent : 16|16@1+ (0.1,0) [0|200] "A" OTHER
 SG_ ConverterState : 32|4@1+ (1,0) [0|3] "" OTHER
BO_ {DCDC_HEAT} ConverterHeat: 8 DCDC
 SG_ ConverterTemperature : 0|8@1+ (1,-40) [-40|210] "degC" OTHER
VAL_ {DCDC_OUT} ConverterState 0 "off" 1 "ready" 2 "on" 3 "fault";
""",
)
NO_FAULT = bytes([0x00, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF])
AMBER_SUPPLY_LOW = bytes([0x04, 0xFF, 168, 0, 1, 3, 0xFF, 0xFF])
"""Amber lamp; number 168 (battery potential), kind 1 (low), three times."""


def dcdc_sends(claim_s: float | None, faults: bytes | None) -> Sends:
    """What it sends: its messages, the claim of its address, its active faults each second."""

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        def out(k: int) -> Mapping[str, float | str]:
            return {
                "OutputVoltage": wave(k, 13.8, 0.2, 90, dice),
                "OutputCurrent": wave(k, 24, 9, 130, dice),
                "ConverterState": 2,
            }

        def heat(k: int) -> Mapping[str, float | str]:
            return {"ConverterTemperature": 33 + k // 3}

        if claim_s is not None:
            name = 0x1234 | 1999 << 21 | 1 << 63  # identity, maker's number, may move
            yield Sent(claim_s, 0x18EEFF82, name.to_bytes(8, "little"), extended=True)
        first_ms = 30.0 if claim_s is None else 260.0
        yield from cyclic(book, "ConverterOutput", 100, out, dice=dice, first_ms=first_ms)
        yield from cyclic(book, "ConverterHeat", 1000, heat, dice=dice, first_ms=first_ms + 10)
        if faults is not None:
            for k in range(20):
                yield Sent(0.281 + k, 0x18FECA82, faults, extended=True)

    return sends


# A cell monitor: twelve voltages in four pages of one message.

PAGES = "\n".join(
    f' SG_ Cell{3 * page + i + 1:02} m{page} : {8 + 16 * i}|16@1+ (0.001,0) [2|4.5] "V" OTHER'
    for page in range(4)
    for i in range(3)
)
MONITOR = definition(
    "MONITOR",
    {0x98FF6101: 25},
    f"""
BO_ {0x98FF6101} CellVoltages: 7 MONITOR
 SG_ Page M : 0|8@1+ (1,0) [0|3] "" OTHER
{PAGES}
""",
)


def monitor_sends(book: Book, dice: random.Random) -> Iterator[Sent]:
    """Three of its four pages, in turn: it is set for a module of nine cells."""

    def page(k: int) -> Mapping[str, float | str]:
        page = k % 3
        cells = {f"Cell{3 * page + i + 1:02}": 3.71 + dice.gauss(0, 0.002) for i in range(3)}
        return {"Page": page, **cells}

    return cyclic(book, "CellVoltages", 25, page, dice=dice)


# An insulation monitor that speaks CAN FD.

INSULATION = definition(
    "GUARD",
    {816: 100},
    """
BO_ 816 InsulationState: 24 GUARD
 SG_ Insulation : 0|16@1+ (1,0) [0|20000] "kOhm" OTHER
 SG_ VoltagePlus : 16|16@1+ (0.1,0) [0|500] "V" OTHER
 SG_ VoltageMinus : 32|16@1+ (0.1,0) [0|500] "V" OTHER
 SG_ GuardCounter : 184|8@1+ (1,0) [0|255] "" OTHER
""",
    'BA_ "VFrameFormat" BO_ 816 14;\nBA_ "CANFD_BRS" BO_ 816 1;',
)


def insulation_sends(book: Book, dice: random.Random) -> Iterator[Sent]:
    """What the insulation monitor sends: CAN FD, one bit rate throughout."""

    def state(k: int) -> Mapping[str, float | str]:
        return {
            "Insulation": round(wave(k, 4200, 300, 80, dice)),
            "VoltagePlus": wave(k, 176, 3, 50, dice),
            "VoltageMinus": wave(k, 175, 3, 50, dice),
            "GuardCounter": k % 256,
        }

    return cyclic(book, "InsulationState", 100, state, dice=dice)


# A gear selector: a slow heartbeat, and one message for each move of its lever.

SELECTOR = definition(
    "SELECTOR",
    {640: 200, 641: 0},
    """
BO_ 640 SelectorAlive: 2 SELECTOR
 SG_ LeverSupply : 0|8@1+ (0.1,0) [0|20] "V" OTHER
 SG_ AliveCounter : 8|4@1+ (1,0) [0|15] "" OTHER
BO_ 641 SelectorMoved: 2 SELECTOR
 SG_ LeverPlace : 0|4@1+ (1,0) [0|3] "" OTHER
 SG_ MoveCounter : 8|8@1+ (1,0) [0|255] "" OTHER
VAL_ 641 LeverPlace 0 "park" 1 "reverse" 2 "neutral" 3 "drive";
""",
    'BA_ "GenMsgSendType" BO_ 641 1;\nBA_ "GenMsgDelayTime" BO_ 641 50;',
)


def selector_sends(book: Book, dice: random.Random) -> Iterator[Sent]:
    """Its heartbeat, and twelve moves or so by hand."""

    def alive(k: int) -> Mapping[str, float | str]:
        return {"LeverSupply": round(wave(k, 12.4, 0.3, 40, dice), 1), "AliveCounter": k % 16}

    yield from cyclic(book, "SelectorAlive", 200, alive, dice=dice)
    at_s, k = 1.0, 0
    while at_s < 19:
        place = (0, 1, 2, 3, 2, 1)[k % 6]
        yield book.frame("SelectorMoved", at_s, {"LeverPlace": place, "MoveCounter": k})
        at_s += dice.uniform(0.15, 2.4)
        k += 1


# A tank heater: slow, its timer coarse.

HEATER = definition(
    "WARMER",
    {1344: 500, 1345: 1000},
    """
BO_ 1344 WarmerState: 7 WARMER
 SG_ InletTemperature : 0|16@1+ (0.1,-40) [-40|120] "degC" OTHER
 SG_ OutletTemperature : 16|16@1+ (0.1,-40) [-40|120] "degC" OTHER
 SG_ HeatPower : 32|16@1+ (1,0) [0|7000] "W" OTHER
 SG_ WarmerCounter : 48|8@1+ (1,0) [0|255] "" OTHER
BO_ 1345 WarmerSupply: 2 WARMER
 SG_ SupplyVoltage : 0|16@1+ (0.01,0) [0|32] "V" OTHER
""",
)


def heater_sends(jitter_ms: float, more: bytes = b"") -> Sends:
    """What it sends; ``more`` bytes follow in its state."""

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        def state(k: int) -> Mapping[str, float | str]:
            return {
                "InletTemperature": wave(k, 24 + 0.3 * k, 1, 17, dice),
                "OutletTemperature": wave(k, 29 + 0.3 * k, 1, 17, dice),
                "HeatPower": round(wave(k, 3000, 150, 13, dice)),
                "WarmerCounter": k % 256,
            }

        def supply(k: int) -> Mapping[str, float | str]:
            return {"SupplyVoltage": wave(k, 13.4, 0.2, 9, dice)}

        for frame in cyclic(
            book, "WarmerState", 500, state, dice=dice, first_ms=20, jitter_ms=jitter_ms
        ):
            yield frame._replace(data=frame.data + more)
        yield from cyclic(
            book, "WarmerSupply", 1000, supply, dice=dice, first_ms=40, jitter_ms=jitter_ms
        )

    return sends


J1939 = "bit_rate = 250_000\nj1939 = true"

NODES: list[TruthNode] = [
    TruthNode(
        "converter that claims its address",
        "J1939: claim first, no active fault in its DM1",
        dbc=DCDC,
        sender="DCDC",
        network=J1939,
        sends=dcdc_sends(0.006, NO_FAULT),
        verdicts=("pass",),
        never=("message-undefined", "fault-told", "claim-late"),
    ),
    TruthNode(
        "converter heard after its claim",
        "J1939: on before listening began, so that its claim was not heard; no fault of its own",
        dbc=DCDC,
        sender="DCDC",
        network=J1939,
        sends=dcdc_sends(None, None),
        verdicts=("pass",),
        never=("claim-late", "address-not-claimed"),
    ),
    TruthNode(
        "converter that claims late",
        "J1939: sends for 1.5 s and claims its address only then",
        dbc=DCDC,
        sender="DCDC",
        network=J1939,
        sends=dcdc_sends(1.75, NO_FAULT),
        verdicts=("doubtful",),
        reasons=(("claim-late",),),
        never=("message-undefined",),
    ),
    TruthNode(
        "converter with an active fault",
        "its DM1 tells that its supply is low, with the amber lamp",
        dbc=DCDC,
        sender="DCDC",
        network=J1939,
        sends=dcdc_sends(0.006, AMBER_SUPPLY_LOW),
        verdicts=("doubtful",),
        reasons=(("fault-told",),),
        never=("message-undefined", "claim-late"),
    ),
    TruthNode(
        "guard without bit-rate switch",
        "CAN FD frames of one bit rate where the definition switches",
        dbc=INSULATION,
        sender="GUARD",
        network="bit_rate = 500_000\ndata_bit_rate = 2_000_000",
        sends=insulation_sends,
        verdicts=("doubtful",),
        reasons=(("bit-rate-switch-differs",),),
        never=("frame-format-differs",),
    ),
    TruthNode(
        "monitor without its last page",
        "cells 10 to 12 never come; nothing that came is wrong",
        dbc=MONITOR,
        sender="MONITOR",
        sends=monitor_sends,
        verdicts=("not proven",),
        reasons=(("signal-not-seen",),),
    ),
    TruthNode(
        "warmer one firmware later",
        "its state holds one byte more than its definition, all else as before",
        dbc=HEATER,
        sender="WARMER",
        sends=heater_sends(1.0, b"\x05"),
        verdicts=("fail",),
        reasons=(("payload-long",), ("definition-older",)),
        never=("signal-out-of-range", "definition-differs"),
    ),
    TruthNode(
        "selector with moves by hand",
        "healthy: a heartbeat and a message for each move",
        dbc=SELECTOR,
        sender="SELECTOR",
        sends=selector_sends,
        verdicts=("pass",),
        never=("gap-too-long", "message-stopped", "rate-not-stated", "cycle-time-off"),
    ),
    TruthNode(
        "warmer with a coarse timer",
        "healthy: slow messages, each up to 8 ms early or late",
        dbc=HEATER,
        sender="WARMER",
        sends=heater_sends(8.0),
        verdicts=("pass",),
        never=("jitter-large", "cycle-drifts"),
    ),
]
