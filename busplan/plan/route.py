"""A route of a plan: what a gateway carries from one network to another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Route:
    """What a gateway carries from one network to another: a whole message or one signal.

    ``what`` is its name where it comes from, of ``node`` when only one node's is meant, and
    ``renamed`` where it goes to. A signal becomes ``value * scale + offset`` in the gateway's
    message ``into``, or in whichever holds it. A message may get another ``identifier``; the
    gateway sends it as soon as it arrives, or each ``cycle_ns``, or ``on_change`` and then no
    closer than ``min_distance_ns``. After ``timeout_ns`` without a new value it puts in
    ``timeout_value`` (a signal) or sends no more (a message). Times [ns].
    """

    name: str
    kind: Literal["message", "signal"]
    what: str
    source: str
    target: str
    through: str
    delay_ns: int = 0
    deadline_ns: int | None = None
    line: int | None = None
    delay_stated: bool = True
    node: str | None = None
    renamed: str | None = None
    into: str | None = None
    identifier: int | None = None
    extended: bool | None = None
    scale: float | int = 1
    offset: float | int = 0
    cycle_ns: int | None = None
    min_distance_ns: int | None = None
    on_change: bool = False
    timeout_ns: int | None = None
    timeout_value: float | int | str | None = None

    @property
    def arrives_as(self) -> str:
        """The name of the message or signal on the network it leads to."""
        return self.renamed or self.what

    @property
    def label(self) -> str:
        """What it carries, with the new name where it gets one."""
        return self.what if self.renamed is None else f"{self.what} as {self.renamed}"
