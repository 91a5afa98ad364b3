"""Parts whose checks and sessions are less usual, as a conversion shop's bench meets them.

Their author had not read how the bench finds checksums and judges sessions; what is true of each
was written down before the first of them was judged. All are invented. The broadcast session is SAE
J1939-21's, lamps and fault numbers SAE J1939-73's (both from memory); the checksums are common
practice, no source, but for the CRC of 16 bits (polynomial 0x1021, as ITU-T V.41 has it).
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping

from truth.nodes import Book, Sent, TruthNode, cyclic
from truth.shop import Sends, definition, wave

# A controller of eight bytes whose last ones are its check.

BODY = """
BO_ 656 ControlState: 8 CONTROL
 SG_ Level : 0|16@1+ (0.1,0) [0|900] "V" OTHER
 SG_ Flow : 16|16@1- (0.1,0) [-300|300] "A" OTHER
 SG_ Warmth : 32|8@1+ (1,-40) [-40|210] "degC" OTHER
{check}
"""
BYTE = """ SG_ ControlCounter : 40|4@1+ (1,0) [0|15] "" OTHER
 SG_ ControlChecksum : 56|8@1+ (1,0) [0|255] "" OTHER"""
NIBBLE = """ SG_ ControlCounter : 40|4@1+ (1,0) [0|15] "" OTHER
 SG_ ControlChecksum : 44|4@1+ (1,0) [0|15] "" OTHER"""
WORD = """ SG_ ControlCounter : 40|4@1+ (1,0) [0|15] "" OTHER
 SG_ ControlCrc : 55|16@0+ (1,0) [0|65535] "" OTHER"""


def control(check: str) -> str:
    """The controller's definition with one of the checks."""
    return definition("CONTROL", {656: 40}, BODY.format(check=check))


def control_sends(seal: Callable[[bytes], bytes], broken: int = 0) -> Sends:
    """What it sends; each ``broken``-th frame has one bit of its level turned after sealing."""

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        names = [s.name for s in book.message("ControlState").signals]

        def values(k: int) -> Mapping[str, float | str]:
            return {
                **dict.fromkeys(names, 0),
                "Level": wave(k, 352, 8, 130, dice),
                "Flow": wave(k, 12, 60, 210, dice),
                "Warmth": round(wave(k, 38, 4, 400, dice)),
                "ControlCounter": k % 16,
            }

        sent = cyclic(book, "ControlState", 40, values, dice=dice, seal=seal)
        for k, frame in enumerate(sent):
            wrong = broken and k % broken == broken - 1
            yield frame._replace(data=bytes([frame.data[0] ^ wrong]) + frame.data[1:])

    return sends


def sum_with_identifier(data: bytes) -> bytes:
    """The last byte: sum of the others, of the identifier's two bytes and of the length."""
    return data[:-1] + bytes([sum(data[:-1]) + 0x02 + 0x90 + 8 & 0xFF])


def sum_of_nibbles(data: bytes) -> bytes:
    """The upper half of byte 5: 15 less the sum of all other half bytes."""
    bare = data[:5] + bytes([data[5] & 0x0F]) + data[6:]
    check = 15 - sum((b >> 4) + (b & 15) for b in bare) & 15
    return bare[:5] + bytes([bare[5] | check << 4]) + bare[6:]


def crc_ccitt(data: bytes) -> bytes:
    """The last two bytes: CRC of 16 bits over the others, high byte first."""
    crc = 0xFFFF
    for byte in data[:6]:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return data[:6] + crc.to_bytes(2, "big")


# A pump with J1939 identifiers that tells two faults in a broadcast session.

PUMP = 0x98FF2144
PUMP_DBC = definition(
    "PUMP",
    {PUMP: 100},
    f"""
BO_ {PUMP} PumpState: 4 PUMP
 SG_ PumpSpeed : 0|16@1+ (0.5,0) [0|6000] "rpm" OTHER
 SG_ PumpTemperature : 16|8@1+ (1,-40) [-40|210] "degC" OTHER
""",
)


def pump_sends(book: Book, dice: random.Random) -> Iterator[Sent]:
    """Its state, and each second the amber lamp and two faults in two packets."""

    def state(k: int) -> Mapping[str, float | str]:
        return {
            "PumpSpeed": wave(k, 2400, 200, 90, dice),
            "PumpTemperature": round(wave(k, 44, 3, 200, dice)),
        }

    yield Sent(0.01, 0x18EEFF44, (0x99 | 1999 << 21 | 1 << 63).to_bytes(8, "little"), True)
    yield from cyclic(book, "PumpState", 100, state, dice=dice, first_ms=300)
    told = bytes([0x04, 0xFF, 168, 0, 1, 3, 110, 0, 0, 1])
    for k in range(19):
        at = 0.45 + k
        yield Sent(at, 0x1CECFF44, bytes([32, 10, 0, 2, 0xFF, 0xCA, 0xFE, 0x00]), True)
        yield Sent(at + 0.06, 0x1CEBFF44, bytes([1]) + told[:7], True)
        yield Sent(at + 0.12, 0x1CEBFF44, bytes([2]) + told[7:] + b"\xff" * 4, True)


# A monitor that tells its cells fast and its state of health every ten seconds.

RARE = definition(
    "MONITOR",
    {0x300: 100, 0x301: 10_000},
    """
BO_ 768 CellVolts: 8 MONITOR
 SG_ CellOne : 0|16@1+ (0.001,0) [2|4.5] "V" OTHER
 SG_ CellTwo : 16|16@1+ (0.001,0) [2|4.5] "V" OTHER
BO_ 769 CellHealth: 2 MONITOR
 SG_ Health : 0|8@1+ (0.5,0) [0|100] "%" OTHER
""",
)


def rare_sends(book: Book, dice: random.Random) -> Iterator[Sent]:
    """What it sends."""

    def volts(k: int) -> Mapping[str, float | str]:
        return {c: wave(k, 3.7, 0.005, 170, dice) for c in ("CellOne", "CellTwo")}

    yield from cyclic(book, "CellVolts", 100, volts, dice=dice)
    yield from cyclic(
        book, "CellHealth", 10_000, lambda _: {"Health": 97.5}, dice=dice, first_ms=60
    )


NEVER = ("checksum-wrong", "checksum-still", "counter-skips")
NODES: list[TruthNode] = [
    TruthNode(
        "controller that adds its identifier up",
        "healthy; its check is a sum with identifier and length",
        dbc=control(BYTE),
        sender="CONTROL",
        sends=control_sends(sum_with_identifier),
        verdicts=("pass",),
        never=NEVER,
        seconds=12.0,
    ),
    TruthNode(
        "controller with a check of half a byte",
        "healthy; the check is a sum of half bytes, which may not be found",
        dbc=control(NIBBLE),
        sender="CONTROL",
        sends=control_sends(sum_of_nibbles),
        verdicts=("pass", "not proven"),
        never=NEVER,
    ),
    TruthNode(
        "controller with a check of 16 bits",
        "healthy; CRC over six bytes",
        dbc=control(WORD),
        sender="CONTROL",
        sends=control_sends(crc_ccitt),
        verdicts=("pass",),
        never=NEVER,
        seconds=12.0,
    ),
    TruthNode(
        "controller with a check of 16 bits, now and then wrong",
        "each 60th frame is not as its CRC says",
        dbc=control(WORD),
        sender="CONTROL",
        sends=control_sends(crc_ccitt, broken=60),
        verdicts=("fail",),
        reasons=(("checksum-wrong",),),
        never=("counter-skips", "checksum-still"),
    ),
    TruthNode(
        "pump that tells two faults in a session",
        "J1939: its DM1 needs two packets; its own supply and its heat are what it tells",
        dbc=PUMP_DBC,
        sender="PUMP",
        network="bit_rate = 250_000\nj1939 = true",
        sends=pump_sends,
        verdicts=("doubtful",),
        reasons=(("fault-told",),),
        never=("message-undefined", "claim-late", "claim-not-again"),
    ),
    TruthNode(
        "monitor with a message every ten seconds",
        "healthy as far as twenty seconds show",
        dbc=RARE,
        sender="MONITOR",
        sends=rare_sends,
        verdicts=("not proven",),
        reasons=(("frames-too-few",),),
        never=("message-missing", "gap-too-long", "message-stopped", "cycle-time-off"),
    ),
]
