"""The fixed points of :mod:`busplan.timing.fixed_point`, compiled for large networks."""

from __future__ import annotations

from collections.abc import Callable
from types import FunctionType

from busplan.kernels import kernel
from busplan.timing import fixed_point

rhythm_work: Callable[..., int] = kernel(fixed_point.rhythm_work)
# A compiled function calls compiled ones only.
_NAMES = {**vars(fixed_point), "rhythm_work": rhythm_work}
priority_responses: Callable[..., bool] = kernel(
    FunctionType(fixed_point.priority_responses.__code__, _NAMES)
)
fifo_delay: Callable[..., tuple[int, int]] = kernel(fixed_point.fifo_delay)
lone_response: Callable[..., int] = kernel(fixed_point.lone_response)
