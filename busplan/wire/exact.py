"""Exact bits of recorded frames, stuff bits included, for millions of frames.

Counts the same bits as the reference :mod:`busplan.wire.bits`, a byte at a time: how many stuff
bits a byte brings, and how it leaves the run of equal bits, depends only on the run before it, so
one small table answers both. The CRC of a classical frame is needed because it is itself stuffed;
that of a CAN FD frame has fixed stuff bits, so its value does not matter.
"""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import I32, read_only
from busplan.frames.table import FrameTable


def exact_bits(table: FrameTable) -> tuple[I32, I32]:
    """Arbitration and data bits of every frame as sent, int32 ``(n_frames,)`` each.

    From start of frame to the end of the intermission. Data bits are those that a CAN FD frame with
    bit-rate switch sends at the data bit rate (ESI to CRC delimiter). Error frames count as
    :data:`busplan.wire.lengths.ERROR_BITS_NOMINAL`, because how long they were is not recorded;
    payloads of lengths that no frame can have are padded or cut to the next possible one.
    """
    from busplan.wire.exact_kernel import count_bits

    arbitration = np.empty(len(table), np.int32)
    data = np.empty(len(table), np.int32)
    count_bits(
        read_only(table.identifier),
        read_only(table.flags),
        read_only(table.length),
        read_only(table.start),
        read_only(table.payload),
        arbitration,
        data,
    )
    return arbitration, data
