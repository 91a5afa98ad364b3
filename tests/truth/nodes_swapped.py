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


RATES = (100, 250)
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
