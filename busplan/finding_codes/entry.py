"""One entry of the register of finding codes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from busplan.findings import Weight

NOTE, CAUTION, FAULT = Weight


@dataclass(frozen=True, slots=True)
class FindingCode:
    """What findings under one code say. A code never changes its meaning.

    ``room`` is the package that yields it; ``weights`` are those it can have, lightest first;
    ``decides`` tells what decides between them where there are several; ``action`` is what to do
    in general, which each finding says for its own place.
    """

    room: str
    code: str
    weights: tuple[Weight, ...]
    meaning: str
    action: str
    decides: str = ""

    @property
    def weights_in_words(self) -> str:
        """``fault``; ``note or caution``."""
        return " or ".join(w.word for w in self.weights)

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "code": self.code,
            "room": self.room,
            "weights": [w.word for w in self.weights],
            "meaning": self.meaning,
            "decides": self.decides,
            "action": self.action,
        }
