"""What the nodes of a conversion shop are written with: DBC texts and values that move.

Attributes of the DBC texts are common practice, no source.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Mapping

from truth.nodes import Book, Sent

HEAD = """VERSION ""
NS_ :
BS_:
BU_: {unit} OTHER
{messages}
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_ BO_ "GenMsgDelayTime" INT 0 65535;
BA_DEF_ BO_ "GenMsgSendType" ENUM "Cyclic","OnChange";
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG",\
"reserved4","reserved5","reserved6","reserved7","reserved8","reserved9","reserved10",\
"reserved11","reserved12","reserved13","StandardCAN_FD","ExtendedCAN_FD";
BA_DEF_ BO_ "CANFD_BRS" ENUM "0","1";
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "GenMsgDelayTime" 0;
BA_DEF_DEF_ "GenMsgSendType" "Cyclic";
BA_DEF_DEF_ "VFrameFormat" "StandardCAN";
BA_DEF_DEF_ "CANFD_BRS" "1";
{attributes}
"""


Sends = Callable[[Book, random.Random], Iterator[Sent]]


def definition(unit: str, cycles: Mapping[int, int], messages: str, more: str = "") -> str:
    """A DBC text; ``cycles`` holds the stated cycle [ms] of each identifier as DBC writes it."""
    lines = [f'BA_ "GenMsgCycleTime" BO_ {key} {every};' for key, every in cycles.items()]
    attributes = "\n".join([*lines, more])
    return HEAD.format(unit=unit, messages=messages, attributes=attributes)


def wave(k: int, mid: float, swing: float, period: float, dice: random.Random) -> float:
    """A value that is measured: slow, with a little noise."""
    return mid + swing * math.sin(2 * math.pi * k / period) + dice.gauss(0, swing / 60)
