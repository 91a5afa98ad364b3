"""Pins and colours that published conventions give the wires of a CAN network.

The rules of this file: a convention fills in only what the plan leaves open, and is named wherever
its pins are shown. Nothing is assumed of plugs that no convention knows: on 8-pin modular plugs
makers use three different pairs.

Sources: D-sub and M12 CiA 303-1, as makers' pin pages give it; three pins, colours and nine pins
SAE J1939-11, -15 and -13 as a maker's wiring sheet gives them; diagnostic socket SAE J1962 as a
course text gives it.
"""

from __future__ import annotations

import re
from typing import NamedTuple


class Pins(NamedTuple):
    """The pins of one kind of plug, ``None`` where the convention gives none, and its name."""

    high: str | None
    low: str | None
    ground: str | None
    shield: str | None
    convention: str


_CIA = "CiA 303-1"
_KNOWN = {
    "dsub": Pins("7", "2", "3", "5", _CIA),
    "dsub9": Pins("7", "2", "3", "5", _CIA),
    "dsub9pin": Pins("7", "2", "3", "5", _CIA),
    "m12": Pins("4", "5", "3", "1", _CIA),
    "m125pin": Pins("4", "5", "3", "1", _CIA),
    "j193911": Pins("A", "B", None, "C", "SAE J1939-11"),
    "j193915": Pins("A", "B", None, "C", "SAE J1939-15"),
    "j193913": Pins("C", "D", "A", "E", "SAE J1939-13"),
    "j1962": Pins("6", "14", "5", None, "SAE J1962"),
}

J1939_COLOURS = ("yellow", "green")
"""Wire colours of CAN_H and CAN_L on SAE J1939-11 and -15 networks."""
J1939_COLOURS_SOURCE = "SAE J1939-11"


def pins_of(connector: str | None) -> Pins | None:
    """What a convention says of a plug named in a plan (``D-sub 9``, ``J1939-13``, ``M12``)."""
    name = re.sub(r"[^a-z0-9]", "", (connector or "").lower()).removeprefix("sae")
    return _KNOWN.get(name)
