"""The one door to numba: a typed decorator for compiled kernels.

Modules that hold kernels import this at their top and are themselves imported only where they are
used, because importing numba costs about a third of a second. Compiled code is cached beside the
source (or in ``NUMBA_CACHE_DIR``), so only the first run on a machine pays for compiling.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., object])


def kernel(function: F) -> F:
    """Compile ``function`` with numba on first call, without the interpreter lock, and cache it."""
    return cast(F, numba.njit(cache=True, nogil=True)(function))
