"""Small frame tables made in a line."""

from collections.abc import Sequence

import numpy as np

from busplan.frames.table import FrameTable


def frames(
    payloads: Sequence[bytes],
    flags: int = 0,
    *,
    identifier: int | Sequence[int] = 1,
    network: str = "can0",
    step_ns: int = 1_000_000,
) -> FrameTable:
    """One frame a payload, ``step_ns`` apart."""
    n = len(payloads)
    return FrameTable.from_columns(
        [network],
        np.arange(n) * step_ns,
        np.zeros(n),
        np.broadcast_to(np.asarray(identifier), (n,)),
        np.full(n, flags),
        [len(p) for p in payloads],
        np.frombuffer(b"".join(payloads), np.uint8),
    )
