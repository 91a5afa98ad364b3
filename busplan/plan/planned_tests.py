"""The commissioning list of a build, as values.

The rules of this file: values are frozen, names resolved; what came of a test stands elsewhere
(:mod:`busplan.commission`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["capture", "bench", "behaviour", "load", "cycles", "expect", "measure", "look"]
BY_CAPTURE: tuple[Kind, ...] = ("capture", "bench", "behaviour", "load", "cycles", "expect")
"""Kinds that a capture shows; the others are done by hand."""


@dataclass(frozen=True, slots=True)
class PlannedTest:
    """One line of the list.

    ``subject`` is the kind of capture, the node, behaviour or network, or what is measured or
    looked at. A measurement lies between ``at_least`` and ``at_most`` [``unit``], held for
    ``for_min`` minutes where stated. ``licensed`` says that only a licensed person may do it.
    """

    name: str
    kind: Kind
    subject: str
    network: str | None = None
    unit: str = ""
    at_least: float | None = None
    at_most: float | None = None
    for_min: float | None = None
    licensed: bool = False
    caution: str = ""
    note: str = ""
    source: str = ""

    @property
    def by_hand(self) -> bool:
        """Whether a person has to do it."""
        return self.kind in ("measure", "look")

    @property
    def limits_text(self) -> str:
        """What a measurement must be: ``at least 500 kΩ, for 5 min``."""
        parts = []
        if self.at_least is not None:
            parts.append(f"at least {self.at_least:g} {self.unit}".rstrip())
        if self.at_most is not None:
            parts.append(f"at most {self.at_most:g} {self.unit}".rstrip())
        text = " and ".join(parts)
        return f"{text}, for {self.for_min:g} min" if self.for_min else text
