"""Are the channels of a capture on the networks the plan gives them to?

Told by identifiers: a channel on which few of them belong to its network, and most to another, is
on the wrong one. ``FEW``, ``MOST`` and ``FEWEST``: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Vehicle
from busplan.wording import listing

FEW = 0.3
"""Share of a channel's identifiers that its own network defines, below which it looks wrong."""
MOST = 0.7
"""Share that another network must define for the channel to look like that one's."""
FEWEST = 3
"""Identifiers that a channel must carry to tell anything."""


def swapped_channels(
    table: FrameTable, vehicle: Vehicle, channel_of: Mapping[str, str]
) -> list[Finding]:
    """One caution that says which channels look like another network's, and what would fit.

    The table's networks bear the plan's names; ``channel_of`` gives the recorded channel of each.
    """
    planned: dict[str, set[tuple[bool, int]]] = {name: set() for name in vehicle.networks}
    for key in vehicle.by_key():
        planned[key.network].add((key.extended, key.identifier))
    seen: dict[str, set[tuple[bool, int]]] = {}
    for key in table.groups:
        seen.setdefault(key.network, set()).add((key.extended, key.identifier))
    fits: dict[str, str] = {}
    for name, found in seen.items():
        if name not in planned or len(found) < FEWEST:
            continue
        shares = {other: len(found & known) / len(found) for other, known in planned.items()}
        best = max(shares, key=lambda other: shares[other])
        if shares[name] < FEW and shares[best] > MOST:
            fits[name] = best
    if not fits:
        return []
    first = next(iter(fits))
    told = listing(
        [f"{channel_of.get(n, n)} ({n}) carries {other}" for n, other in fits.items()], 6
    )
    options = " ".join(f"--channel {channel_of.get(n, n)}={other}" for n, other in fits.items())
    return [
        Finding(
            "channels-swapped",
            Weight.CAUTION,
            Where(network=first),
            f"The channels look swapped against the plan: by its identifiers, {told}.",
            "What is decoded, counted and judged by the wrong definitions means nothing.",
            f"Open it with {options}, or correct the channels of the networks in the plan.",
            (Figure("channels", len(fits)),),
        )
    ]
