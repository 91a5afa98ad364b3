"""Parts off the yard's shelf as a conversion shop's bench meets them.

Their author has not seen the judging code; what is true of each was written down before the first
of them was judged. All are invented.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping

from truth.nodes import Book, Sent, TruthNode, crc8_j1850, cyclic
from truth.shop import Sends, definition, wave

# A charger whose mains are not connected: it can show no volts and no current.

CHARGER = definition(
    "CHARGER",
    {0x318: 100, 0x328: 500},
    """
BO_ 792 ChargerOut: 8 CHARGER
 SG_ MainsVoltage : 0|16@1+ (0.1,0) [0|280] "V" OTHER
 SG_ OutVoltage : 16|16@1+ (0.1,0) [0|450] "V" OTHER
 SG_ OutCurrent : 32|16@1+ (0.1,0) [0|40] "A" OTHER
 SG_ ChargerState : 48|4@1+ (1,0) [0|3] "" OTHER
 SG_ OutCounter : 52|4@1+ (1,0) [0|15] "" OTHER
BO_ 808 ChargerHeat: 2 CHARGER
 SG_ StageTemperature : 0|8@1+ (1,-40) [-40|210] "degC" OTHER
 SG_ FanSpeed : 8|8@1+ (1,0) [0|100] "%" OTHER
VAL_ 792 ChargerState 0 "off" 1 "no mains" 2 "charging" 3 "fault" ;
""",
)


def charger_sends(book: Book, dice: random.Random) -> Iterator[Sent]:
    """What it sends."""

    def out(k: int) -> Mapping[str, float | str]:
        return {
            "MainsVoltage": 0,
            "OutVoltage": 0,
            "OutCurrent": 0,
            "ChargerState": 1,
            "OutCounter": k % 16,
        }

    def heat(k: int) -> Mapping[str, float | str]:
        return {"StageTemperature": round(wave(k, 24, 2, 40, dice)), "FanSpeed": 15 + k % 2}

    yield from cyclic(book, "ChargerOut", 100, out, dice=dice)
    yield from cyclic(book, "ChargerHeat", 500, heat, dice=dice, first_ms=11)


# A steering pump whose checksum covers a number that is not in the frame (common practice, no
# source: it tells a receiver that the frame is the right one of many alike).

STEERING = definition(
    "STEERING",
    {0x1C4: 20},
    """
BO_ 452 SteeringPump: 8 STEERING
 SG_ PumpSpeed : 0|16@1+ (0.5,0) [0|6000] "rpm" OTHER
 SG_ PumpCurrent : 16|16@1- (0.01,0) [-120|120] "A" OTHER
 SG_ Supply : 32|12@1+ (0.01,0) [0|32] "V" OTHER
 SG_ PumpCounter : 44|4@1+ (1,0) [0|15] "" OTHER
 SG_ Temperature : 48|8@1+ (1,-40) [-40|210] "degC" OTHER
 SG_ PumpCrc : 56|8@1+ (1,0) [0|255] "" OTHER
""",
)


def steering_sends(book: Book, dice: random.Random) -> Iterator[Sent]:
    """What it sends."""

    def pump(k: int) -> Mapping[str, float | str]:
        return {
            "PumpSpeed": wave(k, 2600, 900, 380, dice),
            "PumpCurrent": wave(k, 31, 11, 290, dice),
            "Supply": wave(k, 13.4, 0.3, 170, dice),
            "PumpCounter": k % 16,
            "Temperature": round(wave(k, 47, 4, 800, dice)),
            "PumpCrc": 0,
        }

    def sealed(data: bytes) -> bytes:
        return data[:-1] + bytes([crc8_j1850(bytes([0x2D, 0x71]) + data[:-1])])

    yield from cyclic(book, "SteeringPump", 20, pump, dice=dice, seal=sealed)


# A pedal of two tracks.

PEDAL = definition(
    "PEDAL",
    {0x0D2: 10},
    """
BO_ 210 PedalTracks: 6 PEDAL
 SG_ TrackOne : 0|16@1+ (0.05,0) [0|110] "%" OTHER
 SG_ TrackTwo : 16|16@1+ (0.025,0) [0|55] "%" OTHER
 SG_ PedalCounter : 32|8@1+ (1,0) [0|255] "" OTHER
 SG_ PedalXor : 40|8@1+ (1,0) [0|255] "" OTHER
""",
)


def pedal_sends(torn: bool) -> Sends:
    """What it sends; torn, a frame in which the high byte turns may carry the old one still."""

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        before = b""

        def tracks(k: int) -> Mapping[str, float | str]:
            pressed = wave(k, 40, 30, 700, dice)
            return {
                "TrackOne": pressed,
                "TrackTwo": pressed / 2,
                "PedalCounter": k % 256,
                "PedalXor": 0,
            }

        def sealed(data: bytes) -> bytes:
            nonlocal before
            sent = bytearray(data)
            if torn and before and before[1] != data[1]:
                sent[1] = before[1]
            before = data
            sent[5] = sent[0] ^ sent[1] ^ sent[2] ^ sent[3] ^ sent[4]
            return bytes(sent)

        yield from cyclic(book, "PedalTracks", 10, tracks, dice=dice, jitter_ms=0.3, seal=sealed)

    return sends


# A converter that sends floating-point numbers.

FLOATS = definition(
    "DCDC",
    {0x2A1: 100},
    """
BO_ 673 ConverterFloats: 8 DCDC
 SG_ InputVoltage : 0|32@1- (1,0) [0|450] "V" OTHER
 SG_ SinkTemperature : 32|32@1- (1,0) [-40|150] "degC" OTHER
SIG_VALTYPE_ 673 InputVoltage : 1;
SIG_VALTYPE_ 673 SinkTemperature : 1;
""",
)


def floats_sends(open_sensor: bool) -> Sends:
    """What it sends; without its sensor, what is no number (IEEE 754)."""

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        def values(k: int) -> Mapping[str, float | str]:
            warm = float("nan") if open_sensor else wave(k, 36, 2, 150, dice)
            return {"InputVoltage": wave(k, 352, 3, 90, dice), "SinkTemperature": warm}

        yield from cyclic(book, "ConverterFloats", 100, values, dice=dice)

    return sends


# A cell monitor of four pages.

PAGES = definition(
    "MONITOR",
    {0x3C0: 25},
    """
BO_ 960 CellPages: 7 MONITOR
 SG_ Page M : 0|8@1+ (1,0) [0|3] "" OTHER
"""
    + "".join(
        f' SG_ Cell{3 * page + i + 1} m{page} : {8 + 16 * i}|16@1+ (0.001,0) [2|4.5] "V" OTHER\n'
        for page in range(4)
        for i in range(3)
    ),
)


def pages_sends(first: int) -> Sends:
    """What it sends; its pages are numbered from ``first`` on."""

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        def values(k: int) -> Mapping[str, float | str]:
            page = k % 4
            cells = {f"Cell{3 * page + i + 1}": wave(k, 3.71, 0.004, 300, dice) for i in range(3)}
            return {"Page": page, **cells}

        for frame in cyclic(book, "CellPages", 25, values, dice=dice):
            yield frame._replace(data=bytes([frame.data[0] + first]) + frame.data[1:])

    return sends


# A brake booster; its crystal is 2 % slow, well inside what receivers allow.

BOOSTER = definition(
    "BOOSTER",
    {0x0F0: 20, 0x4F0: 1000},
    """
BO_ 240 BoosterState: 5 BOOSTER
 SG_ Pressure : 7|16@0+ (0.01,0) [0|250] "bar" OTHER
 SG_ Travel : 23|12@0+ (0.01,0) [0|40] "mm" OTHER
 SG_ BoosterCounter : 35|4@0+ (1,0) [0|15] "" OTHER
BO_ 1264 BoosterInfo: 4 BOOSTER
 SG_ UpTime : 7|32@0+ (1,0) [0|4294967295] "s" OTHER
""",
)


def booster_sends(slow: float) -> Sends:
    """What it sends; all its times are as much longer."""

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        def state(k: int) -> Mapping[str, float | str]:
            return {
                "Pressure": wave(k, 60, 25, 410, dice),
                "Travel": wave(k, 14, 6, 410, dice),
                "BoosterCounter": k % 16,
            }

        yield from cyclic(book, "BoosterState", 20 * slow, state, dice=dice, jitter_ms=0.4)
        up = 40
        yield from cyclic(
            book, "BoosterInfo", 1000 * slow, lambda k: {"UpTime": up + k}, dice=dice, first_ms=7
        )

    return sends


# A charger's report of nested pages (extended multiplexing as DBC files write it).

NESTED = definition(
    "CHARGER",
    {0x33A: 50},
    """
BO_ 826 ChargerReport: 8 CHARGER
 SG_ Kind M : 0|4@1+ (1,0) [0|1] "" OTHER
 SG_ Phase m0M : 4|4@1+ (1,0) [1|3] "" OTHER
 SG_ VoltageOne m1 : 8|16@1+ (0.1,0) [0|280] "V" OTHER
 SG_ VoltageTwo m2 : 8|16@1+ (0.1,0) [0|280] "V" OTHER
 SG_ VoltageThree m3 : 8|16@1+ (0.1,0) [0|280] "V" OTHER
 SG_ OutputPower m1 : 8|16@1+ (1,0) [0|12000] "W" OTHER
 SG_ ReportCounter : 56|8@1+ (1,0) [0|255] "" OTHER
""",
    "SG_MUL_VAL_ 826 Phase Kind 0-0;\nSG_MUL_VAL_ 826 VoltageOne Phase 1-1;\n"
    "SG_MUL_VAL_ 826 VoltageTwo Phase 2-2;\nSG_MUL_VAL_ 826 VoltageThree Phase 3-3;\n"
    "SG_MUL_VAL_ 826 OutputPower Kind 1-1;",
)


def nested_sends(book: Book, dice: random.Random) -> Iterator[Sent]:
    """What it sends."""

    def report(k: int) -> Mapping[str, float | str]:
        page, count = k % 4, {"ReportCounter": k % 256}
        if page == 3:
            return {"Kind": 1, "OutputPower": wave(k, 6200, 300, 200, dice), **count}
        name = ("VoltageOne", "VoltageTwo", "VoltageThree")[page]
        return {"Kind": 0, "Phase": page + 1, name: wave(k, 231, 3, 90 + page, dice), **count}

    yield from cyclic(book, "ChargerReport", 50, report, dice=dice)


# A fan controller with one counter for two messages.

FANS = definition(
    "FANS",
    {0x250: 100, 0x251: 100},
    """
BO_ 592 FanFront: 4 FANS
 SG_ FrontSpeed : 0|16@1+ (1,0) [0|6000] "rpm" OTHER
 SG_ FrontCurrent : 16|8@1+ (0.1,0) [0|25] "A" OTHER
 SG_ FrontCounter : 24|4@1+ (1,0) [0|15] "" OTHER
BO_ 593 FanRear: 4 FANS
 SG_ RearSpeed : 0|16@1+ (1,0) [0|6000] "rpm" OTHER
 SG_ RearCurrent : 16|8@1+ (0.1,0) [0|25] "A" OTHER
 SG_ RearCounter : 24|4@1+ (1,0) [0|15] "" OTHER
""",
)


def fans_sends(shared: bool) -> Sends:
    """What it sends; with one counter, each message carries every second count."""

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        def fan(side: str, place: int) -> Iterator[Sent]:
            def values(k: int) -> Mapping[str, float | str]:
                return {
                    f"{side}Speed": round(wave(k, 2100 + 80 * place, 300, 130, dice)),
                    f"{side}Current": wave(k, 8, 2, 130, dice),
                    f"{side}Counter": (2 * k + place if shared else k) % 16,
                }

            name = f"Fan{side}"
            return cyclic(book, name, 100, values, dice=dice, first_ms=5 + 4 * place)

        yield from fan("Front", 0)
        yield from fan("Rear", 1)

    return sends


NODES: list[TruthNode] = [
    TruthNode(
        "charger without mains",
        "healthy; volts and amperes are 0, as they are, and cannot be told from open inputs",
        dbc=CHARGER,
        sender="CHARGER",
        sends=charger_sends,
        verdicts=("pass", "not proven", "doubtful"),
        never=("signal-out-of-range", "definition-differs", "values-freeze", "counter-skips"),
    ),
    TruthNode(
        "steering pump that seals with a number of its own",
        "healthy; its checksum covers two bytes that are not in the frame",
        dbc=STEERING,
        sender="STEERING",
        sends=steering_sends,
        seconds=12.0,
        verdicts=("pass",),
        never=("checksum-wrong", "checksum-still"),
    ),
    TruthNode(
        "pedal as defined",
        "healthy; fast, with the bytes' exclusive or as its check",
        dbc=PEDAL,
        sender="PEDAL",
        sends=pedal_sends(torn=False),
        seconds=12.0,
        verdicts=("pass",),
    ),
    TruthNode(
        "pedal with torn values",
        "the two bytes of a value are of different moments where the high one turns: leaps of 13 %",
        dbc=PEDAL,
        sender="PEDAL",
        sends=pedal_sends(torn=True),
        plan='[message."bench/PedalTracks".limits.TrackOne]\nstep = 3',
        verdicts=("fail",),
        reasons=(("signal-step-large",),),
        never=("checksum-wrong", "two-senders-likely"),
    ),
    TruthNode(
        "converter of floating-point numbers",
        "healthy",
        dbc=FLOATS,
        sender="DCDC",
        sends=floats_sends(open_sensor=False),
        verdicts=("pass",),
    ),
    TruthNode(
        "converter whose temperature is no number",
        "its sensor is open, so it sends what is no number",
        dbc=FLOATS,
        sender="DCDC",
        sends=floats_sends(open_sensor=True),
        verdicts=("fail", "doubtful"),
        reasons=(("signal-out-of-range", "signal-at-end", "signal-no-number"),),
    ),
    TruthNode(
        "monitor that counts its pages from one",
        "pages 1 to 4 where its definition has 0 to 3",
        dbc=PAGES,
        sender="MONITOR",
        sends=pages_sends(first=1),
        verdicts=("fail",),
        reasons=(("signal-out-of-range", "definition-differs"), ("signal-not-seen",)),
    ),
    TruthNode(
        "booster with a slow crystal",
        "healthy; 2 % slow in all it does",
        dbc=BOOSTER,
        sender="BOOSTER",
        sends=booster_sends(slow=1.02),
        seconds=12.0,
        verdicts=("pass",),
        never=("cycle-time-off", "cycle-drifts"),
    ),
    TruthNode(
        "charger with nested pages",
        "healthy; pages within pages, a counter over all",
        dbc=NESTED,
        sender="CHARGER",
        sends=nested_sends,
        verdicts=("pass",),
    ),
    TruthNode(
        "fans that share a counter",
        "one counter for two messages, so each carries every second count",
        dbc=FANS,
        sender="FANS",
        sends=fans_sends(shared=True),
        verdicts=("fail", "doubtful"),
        reasons=(("counter-skips", "counter-steps-wide"),),
        never=("two-senders-likely", "node-restarts"),
    ),
]
