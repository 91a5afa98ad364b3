"""The kinds of columns that frames stand in, and the rows of one identifier."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

I64 = npt.NDArray[np.int64]
U32 = npt.NDArray[np.uint32]
U16 = npt.NDArray[np.uint16]
U8 = npt.NDArray[np.uint8]


class Group(NamedTuple):
    """All frames of one (network, extended flag, identifier): their rows, in time order."""

    network: int
    extended: bool
    identifier: int
    rows: I64
