"""Who wants to know that kernels are being compiled, which takes seconds after installing.

Apart from ``busplan.kernels``, so that the command line can listen without importing numba.
"""

from __future__ import annotations

from collections.abc import Callable

listener: Callable[[bool], None] | None = None
"""Called with true when compiling a kernel begins, with false at its end."""
kept = True
"""Whether what is compiled is there the next time; false where no folder can be written."""


def tell(begins: bool) -> None:
    """Tell the listener, if there is one."""
    if listener is not None:
        listener(begins)
