"""Frames of a driver that no network could have carried, or no log could hold."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busplan.frames.kinds import FD_LENGTHS

if TYPE_CHECKING:
    import can

_LATEST_S = 9.0e9
"""Times beyond this [s] do not fit nanoseconds in 64 bits."""
_MOST_STANDARD, _MOST_EXTENDED = 0x7FF, 0x1FFF_FFFF


def why_odd(message: can.Message) -> str | None:
    """Why a frame cannot be written as what it is; ``None`` for one that can."""
    try:
        return _why_odd(message)
    except Exception as error:  # a driver may hand out anything
        return f"it is no frame ({type(error).__name__})"


def _why_odd(message: can.Message) -> str | None:
    if not 0 <= message.timestamp < _LATEST_S:
        return f"its time is {message.timestamp!r}"
    identifier = message.arbitration_id
    most = _MOST_EXTENDED if message.is_extended_id or message.is_error_frame else _MOST_STANDARD
    if not 0 <= identifier <= most:
        return f"its identifier is 0x{identifier:X}"
    if message.is_remote_frame:
        return None if 0 <= message.dlc <= 8 else f"a remote frame with length code {message.dlc}"
    length = len(message.data)
    if length not in FD_LENGTHS if message.is_fd else length > 8:
        return f"it has {length} bytes"
    bytes(message.data)
    # Flags count as numbers later on.
    sum((message.is_fd, message.bitrate_switch, message.error_state_indicator, message.is_rx))
    return None
