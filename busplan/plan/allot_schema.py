"""What a plan may say of what may be changed to make it work: ``[allot]`` and keys beside it.

The rules of this file: as in :mod:`busplan.plan.schema`.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from busplan.plan.movable import USUAL
from busplan.plan.spec import Identifier, Spec

MOST_NEW = 8
"""Most networks that may be added: the search tries each of them with each node."""
Cost = Annotated[float, Field(ge=0, le=1_000_000)]
COST = "a cost, 0 or more, in the unit of the other costs"
Range = Annotated[list[Identifier], Field(min_length=2, max_length=2)]
RANGES = "a list of ranges of identifiers, such as [[0x000, 0x07F]], both ends included"


class AllotSpec(Spec):
    """``[allot]``: what may be added, and what changes cost."""

    new_networks: Annotated[int, Field(ge=0, le=MOST_NEW)] = Field(
        default=0,
        description=f"how many networks may be added, a whole number from 0 to {MOST_NEW}",
    )
    move: Cost = Field(default=USUAL.move, description=COST)
    identifier: Cost = Field(default=USUAL.identifier, description=COST)
    reset: Cost = Field(default=USUAL.reset, description=COST)
    route: Cost = Field(default=USUAL.route, description=COST)
    reroute: Cost = Field(default=USUAL.reroute, description=COST)
    network: Cost = Field(default=USUAL.network, description=COST)
    metre: Cost = Field(default=USUAL.metre, description=COST)
