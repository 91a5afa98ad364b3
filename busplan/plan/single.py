"""A vehicle of one node: a part that lies on the bench before any plan knows it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from busplan.plan.vehicle import Vehicle

BENCH = "bench"
"""Name of the one network."""


def vehicle_of_part(
    definitions: Path, sender: str, *, bit_rate: int, data_bit_rate: int | None = None
) -> Vehicle:
    """One network, one node: the DBC node ``sender`` of a definition file at a bit rate [bit/s].

    Raises ``PlanError`` when the file cannot be used or does not know the sender.
    """
    from busplan.plan.problems import Problems
    from busplan.plan.reader import vehicle_of

    network: dict[str, Any] = {"bit_rate": bit_rate}
    if data_bit_rate is not None:
        network["data_bit_rate"] = data_bit_rate
    document = {
        "vehicle": {"name": sender},
        "network": {BENCH: network},
        "part": {sender: {"definitions": definitions.name, "sender": sender}},
        "node": {sender: {"part": sender, "on": [BENCH]}},
    }
    return vehicle_of(document, Problems(str(definitions), {}), definitions.parent)
