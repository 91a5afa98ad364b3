"""The fixed points of :mod:`busplan.timing.fixed_point`, compiled for large networks."""

from __future__ import annotations

from collections.abc import Callable

from busplan.kernels import kernel
from busplan.timing import fixed_point

priority_responses: Callable[..., bool] = kernel(fixed_point.priority_responses)
fifo_delay: Callable[..., tuple[int, int]] = kernel(fixed_point.fifo_delay)
lone_response: Callable[..., int] = kernel(fixed_point.lone_response)
