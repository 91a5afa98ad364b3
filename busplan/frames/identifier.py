"""What tells messages apart, and how the trade writes it."""

from __future__ import annotations

from typing import NamedTuple


class FrameKey(NamedTuple):
    """What tells two messages apart: the network, the width of the identifier and its value.

    0x100 and 0x00000100 are different identifiers; equal keys on one network clash.
    """

    network: str
    extended: bool
    identifier: int

    def __str__(self) -> str:
        return f"{self.network}/{format_identifier(self.identifier, self.extended)}"


def format_identifier(identifier: int, extended: bool) -> str:
    """An identifier as the trade writes it: ``0x123``, or eight digits when it has 29 bits."""
    return f"0x{identifier:08X}" if extended else f"0x{identifier:03X}"
