"""MF4 bus logging written in one go, as python-can lays it out: its own writer needs the square."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from asammdf import MDF, Signal
from asammdf.blocks.v4_blocks import SourceInformation
from asammdf.blocks.v4_constants import BUS_TYPE_CAN, SOURCE_BUS
from can.io.mf4 import ERR_DTYPE, RTR_DTYPE, STD_DTYPE

BUS = SourceInformation(source_type=SOURCE_BUS, bus_type=BUS_TYPE_CAN)
LAYOUTS = {"CAN_DataFrame": STD_DTYPE, "CAN_ErrorFrame": ERR_DTYPE, "CAN_RemoteFrame": RTR_DTYPE}


def records(kind: str, fields: dict[str, Any]) -> np.ndarray:
    """Records of a bus event; fields that are not given are zero."""
    made = np.zeros(len(fields["ID"]), LAYOUTS[kind])
    for name, values in fields.items():
        made[f"{kind}.{name}"] = values
    return made


def write_mf4(
    path: Path,
    groups: dict[str, tuple[np.ndarray, np.ndarray]],
    *,
    packed: int = 2,
    block_bytes: int = 0,
) -> None:
    """Times [s] and records of each kind; ``packed``: 0 not, 1 deflated, 2 turned and deflated."""
    file = MDF(version="4.10")
    if block_bytes:
        file.configure(write_fragment_size=block_bytes)
    file.header.abs_time = 1_700_000_000_000_000_000
    for kind, (time_s, samples) in groups.items():
        file.append(Signal(name=kind, samples=samples, timestamps=time_s, source=BUS))
    file.save(path, overwrite=True, compression=packed)
    file.close()
