"""What an interface's error frames say about its controller: lost frames, warning, passive, off.

Error frames as Linux gives them, which python-can passes on for other systems too where it can:
the error class is the identifier, details are in the data (``include/uapi/linux/can/error.h`` of
the Linux kernel). The states are those of ISO 11898-1: error active, error passive, bus off.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from busplan.frames.kinds import ERROR
from busplan.frames.table import FrameTable

CLASS_CONTROLLER, CLASS_BUS_OFF, CLASS_RESTARTED, CLASS_COUNTERS = 0x004, 0x040, 0x100, 0x200
OVERFLOW = 0x01
WARNING, PASSIVE, ACTIVE = 0x0C, 0x30, 0x40


def _details(table: FrameTable) -> Iterator[tuple[int, int, bytes]]:
    """Row, error class and data of each error frame."""
    for row in np.flatnonzero(table.flags & ERROR):
        yield int(row), int(table.identifier[row]), table.bytes_of(int(row))


def overflows(table: FrameTable) -> npt.NDArray[np.bool_]:
    """Which error frames say that the interface's receive buffer ran over; ``(n_frames,)``."""
    found = np.zeros(len(table), np.bool_)
    for row, kind, data in _details(table):
        found[row] = bool(kind & CLASS_CONTROLLER) and len(data) >= 2 and bool(data[1] & OVERFLOW)
    return found


def controller_states(table: FrameTable) -> dict[int, str]:
    """Network number → the controller state its newest error frame tells, in words.

    Networks whose error frames tell none are left out.
    """
    states = {}
    for row, kind, data in _details(table):
        if state := _state(kind, data):
            states[int(table.network[row])] = state
    return states


def _state(kind: int, data: bytes) -> str | None:
    detail = data[1] if kind & CLASS_CONTROLLER and len(data) >= 2 else 0
    if kind & CLASS_BUS_OFF:
        state = "bus off"
    elif detail & PASSIVE:
        state = "error passive"
    elif detail & WARNING:
        state = "error warning"
    elif detail & ACTIVE or kind & CLASS_RESTARTED:
        return "error active"
    else:
        return None
    if kind & CLASS_COUNTERS and len(data) >= 8:
        state += f" (sent {data[6]}, received {data[7]})"
    return state
