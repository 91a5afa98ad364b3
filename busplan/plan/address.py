"""The full name of a signal in a vehicle."""

from __future__ import annotations

from typing import NamedTuple


class SignalAddress(NamedTuple):
    """The full name of a signal in a vehicle, written ``network/node/message/signal``."""

    network: str
    node: str
    message: str
    signal: str

    def __str__(self) -> str:
        return "/".join(self)
