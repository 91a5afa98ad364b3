"""Plans with more to choose from than a search can hold."""

from __future__ import annotations

from collections.abc import Sequence

from busplan.allot.problem import Unit
from busplan.errors import UsageError

MOST_PLACES = 100_000
"""Places of all nodes together; 50,000 (1,000 nodes, 50 networks) take 0.9 GB, and none were ever
solved."""
LESS = (
    "less to choose from: nodes with keep = true or allowed = [...], networks with guests = false; "
    "--only identifiers moves nothing and looks at each network alone"
)
"""What helps where a plan is too large."""


def bounded(units: Sequence[Unit]) -> None:
    """One error where there is more to choose from than memory holds."""
    places = sum(len(unit.networks) for unit in units)
    if places > MOST_PLACES:
        raise UsageError(
            f"{len({u.node for u in units})} nodes have {places} places to choose from, and a "
            f"search takes {MOST_PLACES} at most. What helps is {LESS}"
        )
