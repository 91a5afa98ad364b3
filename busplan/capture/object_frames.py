"""From the one-object-a-frame world of python-can into columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from busplan.capture.chunks import Chunk
from busplan.frames.columns import I64
from busplan.frames.kinds import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, SENT

if TYPE_CHECKING:
    import can

_COARSE_FROM_S = 4e6
"""From here up a float64 second count cannot tell nanoseconds apart; microseconds it can."""


def flags_of(message: can.Message) -> int:
    """The flag bits of one message, as in :mod:`busplan.frames.table`."""
    return (
        EXTENDED * message.is_extended_id
        | FD * message.is_fd
        | BRS * message.bitrate_switch
        | ESI * message.error_state_indicator
        | REMOTE * message.is_remote_frame
        | ERROR * message.is_error_frame
        | SENT * (not message.is_rx)
    )


def nanoseconds(seconds: npt.ArrayLike) -> I64:
    """Float times [s] as whole nanoseconds, without digits that the float never held."""
    time_s = np.asarray(seconds, np.float64)
    is_fine = np.abs(time_s) < _COARSE_FROM_S
    if is_fine.all():
        return np.rint(time_s * 1e9).astype(np.int64)
    coarse = np.rint(time_s * 1e6).astype(np.int64) * 1000
    if not is_fine.any():
        return coarse
    return np.where(is_fine, np.rint(time_s * 1e9).astype(np.int64), coarse)


def message_chunk(messages: Sequence[can.Message], network: Sequence[int]) -> Chunk:
    """Messages as columns; ``network`` numbers each message's channel.

    The bytes that are there count, not the stated length; a remote frame keeps the length it asks
    for. Values are taken as they are: whoever reads a file checks them.
    """
    return Chunk(
        nanoseconds([m.timestamp for m in messages]),
        np.asarray(network, np.uint16),
        np.array([m.arbitration_id for m in messages], np.uint32),
        np.array([flags_of(m) for m in messages], np.uint8),
        np.array([m.dlc if m.is_remote_frame else len(m.data) for m in messages], np.uint8),
        np.frombuffer(b"".join(m.data for m in messages if not m.is_remote_frame), np.uint8),
    )
