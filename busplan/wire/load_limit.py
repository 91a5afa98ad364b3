"""A load against the limit of its network: one rule for planned and measured loads.

Loads and limits are fractions of a network's time. A load that equals its limit is not over it.
Loads are sums of many shares, so what lies beyond the limit by no more than ``ROUNDING``, the
rounding of such a sum, counts as equal.
"""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING, overload

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

ROUNDING = 1e-9
"""Loads nearer than this are equal: a nanosecond in a second."""
NEAR_PART = 0.8
"""From this part of the limit on a load is shown as near it (common practice, no source)."""


class Standing(Enum):
    """How a load stands to its limit."""

    BELOW = "below"
    NEAR = "near"
    OVER = "over"


@overload
def over_limit(load: float, limit: float) -> bool: ...
@overload
def over_limit(load: npt.NDArray[np.float64], limit: float) -> npt.NDArray[np.bool_]: ...
def over_limit(load: float | npt.NDArray[np.float64], limit: float) -> bool | npt.NDArray[np.bool_]:
    """Whether a load, or each of an array, is over its limit."""
    return load > limit + ROUNDING


def headroom(load: float, limit: float) -> float:
    """Limit minus load: negative when the load is over the limit, 0 when they are equal."""
    left = limit - load
    return 0.0 if abs(left) <= ROUNDING else left


def standing(load: float, limit: float) -> Standing:
    """How a load stands to its limit."""
    if over_limit(load, limit):
        return Standing.OVER
    return Standing.NEAR if over_limit(load, NEAR_PART * limit) else Standing.BELOW
