"""The followers of transport sessions, compiled for captures with many frames of them."""

from __future__ import annotations

from collections.abc import Callable

from busplan.kernels import kernel
from busplan.transport import iso15765_follow, j1939_follow

follow_j1939: Callable[..., int] = kernel(j1939_follow.follow)
follow_iso15765: Callable[..., int] = kernel(iso15765_follow.follow)
