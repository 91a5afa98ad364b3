"""Parts whose identifiers are swapped, where no range tells.

Written down before the rule that judges them. All are invented.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

from truth.nodes import Book, Sent, TruthNode, cyclic, sealed_last
from truth.shop import Sends, definition, wave

# Two messages alike in length; what sets them apart is said at each node.

PAIR = """
BO_ 1536 PairFlow: 8 PAIR
 SG_ Flow : 0|16@1+ (0.01,0) [0|0] "l/min" OTHER
 SG_ FlowTemperature : 16|16@1+ (0.01,0) [0|0] "degC" OTHER
{flow}
BO_ 1537 PairReturn: 8 PAIR
 SG_ Return : 0|16@1+ (0.01,0) [0|0] "l/min" OTHER
 SG_ ReturnTemperature : 16|16@1+ (0.01,0) [0|0] "degC" OTHER
{back}
"""
FLOW_COUNTER = ' SG_ FlowCounter : 32|4@1+ (1,0) [0|15] "" OTHER'
RETURN_COUNTER = ' SG_ ReturnCounter : 52|4@1+ (1,0) [0|15] "" OTHER'
FLOW_CRC = ' SG_ FlowCrc : 56|8@1+ (1,0) [0|255] "" OTHER'


def pair(flow: str = "", back: str = "", cycles: tuple[int, int] = (100, 100)) -> str:
    """The definition of the pair."""
    messages = PAIR.format(flow=flow, back=back)
    return definition("PAIR", {1536: cycles[0], 1537: cycles[1]}, messages)


def pair_sends(swapped: bool, cycles: tuple[int, int] = (100, 100), crc: bool = False) -> Sends:
    """What the pair sends; ``swapped``, each message under the other's identifier."""

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        for place, (name, every) in enumerate(zip(("Flow", "Return"), cycles, strict=True)):
            signals = [s.name for s in book.message(f"Pair{name}").signals]

            def of(k: int, name: str = name, place: int = place, signals: list[str] = signals):  # type: ignore[no-untyped-def]
                made: dict[str, float | str] = {
                    name: wave(k, 11 - place, 2, 110, dice),
                    f"{name}Temperature": wave(k, 41 - 6 * place, 3, 190, dice),
                }
                for signal in signals:
                    if signal.endswith("Counter"):
                        made[signal] = k % 16
                    elif signal.endswith("Crc"):
                        made[signal] = 0
                return made

            seal = sealed_last if crc and name == "Flow" else None
            for frame in cyclic(
                book, f"Pair{name}", every, of, dice=dice, first_ms=5 + 9 * place, seal=seal
            ):
                identifier = 1536 + 1537 - frame.identifier if swapped else frame.identifier
                yield frame._replace(identifier=identifier)

    return sends


# Three messages alike in length, each with a measured value and perhaps a counter.

TRIO = ("Pump", "Valve", "Probe")
TRIO_FIRST = 1552
TRIO_COUNTERS = (24, 36, 52)


def trio(cycles: tuple[int, int, int], counters: bool = False) -> str:
    """The definition of the three."""
    messages = ""
    for place, name in enumerate(TRIO):
        messages += f"""
BO_ {TRIO_FIRST + place} Trio{name}: 8 TRIO
 SG_ {name} : 0|16@1+ (0.01,0) [0|0] "l/min" OTHER
"""
        if counters:
            start = TRIO_COUNTERS[place]
            messages += f' SG_ {name}Counter : {start}|4@1+ (1,0) [0|15] "" OTHER\n'
    return definition("TRIO", {TRIO_FIRST + i: c for i, c in enumerate(cycles)}, messages)


def trio_sends(
    under: tuple[int, int, int], cycles: tuple[int, int, int], counters: bool = False
) -> Sends:
    """What the three send, each under the identifier of the one that is named for it."""

    def sends(book: Book, dice: random.Random) -> Iterator[Sent]:
        for place, (name, every) in enumerate(zip(TRIO, cycles, strict=True)):

            def of(k: int, name: str = name, place: int = place) -> dict[str, float | str]:
                made: dict[str, float | str] = {name: wave(k, 20 - 4 * place, 2, 110, dice)}
                return made | ({f"{name}Counter": k % 16} if counters else {})

            for frame in cyclic(book, f"Trio{name}", every, of, dice=dice, first_ms=5 + 9 * place):
                yield frame._replace(identifier=TRIO_FIRST + under[place])

    return sends


RATES = (100, 250)
THREE_RATES = (100, 200, 400)
APART = pair(FLOW_COUNTER, RETURN_COUNTER)
SEALED = pair(FLOW_COUNTER + "\n" + FLOW_CRC, FLOW_COUNTER.replace("Flow", "Return"))

NODES: list[TruthNode] = [
    TruthNode(
        "pair swapped, told by its rates",
        "each under the other's identifier; they differ in rate",
        dbc=pair(cycles=RATES),
        sender="PAIR",
        sends=pair_sends(True, RATES),
        verdicts=("fail",),
        reasons=(("identifiers-swapped",),),
        never=("definition-differs", "identifiers-moved"),
    ),
    TruthNode(
        "pair swapped, told by its counters",
        "each under the other's identifier; they count at different places",
        dbc=APART,
        sender="PAIR",
        sends=pair_sends(True),
        verdicts=("fail", "doubtful"),
        reasons=(("identifiers-swapped",),),
        never=("definition-differs", "identifiers-moved"),
    ),
    TruthNode(
        "pair swapped, told by its checksum",
        "each under the other's identifier; one of them has a checksum",
        dbc=SEALED,
        sender="PAIR",
        sends=pair_sends(True, crc=True),
        verdicts=("fail", "doubtful"),
        reasons=(("identifiers-swapped",),),
        never=("definition-differs", "identifiers-moved"),
    ),
    TruthNode(
        "three in a ring, told by their rates",
        "each under the identifier of the next; they differ in rate",
        dbc=trio(THREE_RATES),
        sender="TRIO",
        sends=trio_sends((1, 2, 0), THREE_RATES),
        verdicts=("fail",),
        reasons=(("identifiers-swapped",),),
        never=("definition-differs", "identifiers-moved"),
    ),
    TruthNode(
        "three in a ring the other way, told by their counters",
        "each under the identifier of the one before; they count at different places",
        dbc=trio((100, 100, 100), counters=True),
        sender="TRIO",
        sends=trio_sends((2, 0, 1), (100, 100, 100), counters=True),
        verdicts=("fail", "doubtful"),
        reasons=(("identifiers-swapped",),),
        never=("definition-differs", "identifiers-moved"),
    ),
    TruthNode(
        "two of three swapped, the third looks like one of them",
        "a ring would fit as well, but nothing is wrong with the third",
        dbc=trio((100, 250, 250)),
        sender="TRIO",
        sends=trio_sends((1, 0, 2), (100, 250, 250)),
        verdicts=("fail",),
        reasons=(("identifiers-swapped",),),
        never=("definition-differs", "identifiers-moved"),
    ),
    TruthNode(
        "three in their places",
        "healthy; counters",
        dbc=trio(THREE_RATES, counters=True),
        sender="TRIO",
        sends=trio_sends((0, 1, 2), THREE_RATES, counters=True),
        verdicts=("pass",),
        never=("identifiers-swapped",),
    ),
    TruthNode(
        "pair that nothing tells apart",
        "swapped or not, both look the same, so nothing may be said",
        dbc=pair(),
        sender="PAIR",
        sends=pair_sends(True),
        verdicts=("pass",),
        never=("identifiers-swapped",),
    ),
    TruthNode(
        "pair of which one is too hot",
        "exchanged, both would be in range; one value of one message is no evidence for that",
        dbc=pair().replace('[0|0] "degC"', '[0|30] "degC"', 1),
        sender="PAIR",
        sends=pair_sends(False),
        verdicts=("fail",),
        reasons=(("signal-out-of-range",),),
        never=("identifiers-swapped",),
    ),
    TruthNode(
        "pair in its places",
        "healthy; counters and a checksum",
        dbc=SEALED,
        sender="PAIR",
        sends=pair_sends(False, crc=True),
        verdicts=("pass",),
        never=("identifiers-swapped",),
    ),
]
