"""The solver of mixed-integer programmes: HiGHS, through scipy."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any


def solved(
    cost: Any,
    rows: tuple[Any, Any, Any],
    within: tuple[Any, Any],
    whole: Sequence[bool],
    seconds: float,
    gap: float = 1e-4,
) -> Any:
    """The least cost, as :func:`scipy.optimize.milp` gives it.

    ``rows``: matrix, and what its rows are at least and at most; ``within``: what variables are at
    least and at most; ``whole``: whether each is a whole number; ``seconds``: longest time by the
    clock; ``gap``: the part of the cost that is let go.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    return milp(
        cost,
        constraints=LinearConstraint(*rows),
        bounds=Bounds(*within),
        integrality=[float(one) for one in whole],
        options={"time_limit": max(seconds, 0.1), "mip_rel_gap": gap},
    )
