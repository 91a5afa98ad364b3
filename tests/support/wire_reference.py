"""The readable reference for exact bits, applied to a frame table."""

from busplan.frames.kinds import BRS, ESI, EXTENDED, FD, REMOTE
from busplan.wire.bits import frame_bits
from busplan.wire.lengths import dlc_of


def reference_bits(table):
    """``Bits`` of every frame, one by one."""
    return [_one(table, row) for row in range(len(table))]


def _one(table, row):
    flags = int(table.flags[row])
    remote = bool(flags & REMOTE)
    frame = frame_bits(
        int(table.identifier[row]),
        table.bytes_of(row),
        extended=bool(flags & EXTENDED),
        fd=bool(flags & FD),
        switched=bool(flags & BRS),
        error_passive=bool(flags & ESI),
        remote=remote,
        dlc=dlc_of(int(table.length[row])) if remote else None,
    )
    return frame.counted
