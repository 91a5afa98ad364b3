"""How long a frame is on the wire, from its payload length alone.

The rules of this file: bits are counted from start of frame to the end of the 3-bit intermission,
so that frames sent back to back add up; *nominal* means without any dynamic stuff bit, *worst*
means with as many as the identifier and payload could ever force; times are whole nanoseconds,
rounded up. The bits that a CAN FD frame sends at the data bit rate are counted apart: ESI to CRC
delimiter, when the frame switches its bit rate; else every bit is an arbitration bit. Exact counts
need the payload: :mod:`busplan.wire.exact`. numpy is imported where tables of frames are measured
only, because loading it takes longer than all the rest of a plan's check.

Sources: classical frames Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN)
schedulability analysis: refuted, revisited and revised", Real-Time Systems 35:239–272, 2007; CAN FD
field widths as in the Linux kernel header ``include/linux/can/length.h``.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from busplan.definitions.j1939 import GLOBAL_ADDRESS
from busplan.definitions.model import Message
from busplan.frames.kinds import FD_LENGTHS

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from busplan.frames.columns import I32, I64
    from busplan.frames.table import FrameTable


INTERMISSION = 3
"""Bits between two frames."""

ERROR_BITS_NOMINAL = 17
"""An error frame whose flags coincide: flag 6, delimiter 8, intermission 3 (ISO 11898-1)."""

ERROR_BITS_WORST = 31
"""Most bits from an error to the next start of frame (Tindell & Burns 1994; from memory)."""

_STUFFED = {False: 34, True: 54}
"""Bits that stuffing covers in a classical frame, without its payload: SOF to CRC."""
_UNSTUFFED = 13
"""Bits after them: CRC delimiter, ACK slot and delimiter, end of frame (7), intermission (3)."""

_FD_BEFORE_SWITCH = {False: 17, True: 36}
"""SOF to BRS."""
_FD_CONTROL = 5
"""ESI and DLC."""
_FD_AFTER_SWITCH = 12
"""ACK slot and delimiter, end of frame (7), intermission (3)."""


class Bits(NamedTuple):
    """Bits of one frame: those at the arbitration bit rate and those at the data bit rate."""

    arbitration: int
    data: int

    @property
    def total(self) -> int:
        """All bits of the frame."""
        return self.arbitration + self.data


def wire_length(length: int, *, fd: bool = False) -> int:
    """Payload bytes [byte] a frame needs to carry ``length`` bytes: CAN FD has only some lengths.

    Raises ``ValueError`` when no single frame can carry them.
    """
    most = 64 if fd else 8
    if not 0 <= length <= most:
        kind = "CAN FD" if fd else "classical"
        raise ValueError(f"a {kind} frame carries 0 to {most} bytes, not {length}")
    return next(n for n in FD_LENGTHS if n >= length)


def dlc_of(length: int, *, fd: bool = False) -> int:
    """The DLC of the frame that carries ``length`` bytes."""
    return FD_LENGTHS.index(wire_length(length, fd=fd))


def length_of(dlc: int, *, fd: bool = False) -> int:
    """Payload bytes [byte] a DLC of 0 to 15 stands for; 9 to 15 mean 8 in a classical frame."""
    return FD_LENGTHS[dlc] if fd else min(dlc, 8)


def nominal_bits(
    length: int,
    *,
    extended: bool = False,
    fd: bool = False,
    switched: bool = False,
    remote: bool = False,
) -> Bits:
    """Bits of a frame without dynamic stuff bits (47 + 8·s or 67 + 8·s when classical).

    ``switched`` says that a CAN FD frame sends its data part at the data bit rate. A remote frame
    has no payload whatever its ``length``.
    """
    if not fd:
        payload = 0 if remote else 8 * wire_length(length)
        return Bits(_STUFFED[extended] + payload + _UNSTUFFED, 0)
    sent = wire_length(length, fd=True)
    arbitration = _FD_BEFORE_SWITCH[extended] + _FD_AFTER_SWITCH
    data = _FD_CONTROL + 8 * sent + fd_crc_bits(sent)
    return Bits(arbitration, data) if switched else Bits(arbitration + data, 0)


def worst_bits(
    length: int,
    *,
    extended: bool = False,
    fd: bool = False,
    switched: bool = False,
    remote: bool = False,
) -> Bits:
    """Most bits a frame of this length can have: n stuffed bits force ⌊(n − 1)/4⌋ more.

    Classical: n = g + 8·s with g 34 or 54, as in Davis et al. 2007. CAN FD: n covers header and
    payload only; stuff bits that could fall in either part are counted in the arbitration part.
    """
    nominal = nominal_bits(length, extended=extended, fd=fd, switched=switched, remote=remote)
    if not fd:
        stuffed = nominal.total - _UNSTUFFED
        return Bits(nominal.arbitration + (stuffed - 1) // 4, 0)
    before = _FD_BEFORE_SWITCH[extended]
    stuff = (before + _FD_CONTROL + 8 * wire_length(length, fd=True) - 1) // 4
    early = (before - 1) // 4 if switched else stuff
    return Bits(nominal.arbitration + early, nominal.data + stuff - early)


def fd_crc_bits(length: int) -> int:
    """Width of a CAN FD frame's CRC field [bit]: stuff count, CRC, fixed stuff bits, delimiter.

    4 + 17 + 6 + 1 up to 16 payload bytes, 4 + 21 + 7 + 1 above (``length.h``).
    """
    return 28 if length <= 16 else 33


def message_bits(message: Message) -> tuple[Bits, Bits]:
    """Nominal and worst-case bits of a message's frames.

    Raises ``ValueError`` for a message that is too long for one frame (J1939 transport).
    """
    nominal, worst = (
        count(
            message.length,
            extended=message.extended,
            fd=message.fd,
            switched=message.fd and message.bit_rate_switch,
        )
        for count in (nominal_bits, worst_bits)
    )
    return nominal, worst


def frames_of(message: Message) -> tuple[Message, int]:
    """The message as one frame can carry it, and how many such frames it takes.

    A message that is too long counts as a J1939 session of packets of 7 bytes, all frames 8 bytes
    long: a broadcast with its announcement, or, when the group has a destination, a connection
    with request, one clear to send and acknowledgement (SAE J1939-21; from memory). A segmented
    message takes a first frame, consecutive frames and one flow control, all of full length (ISO
    15765-2; from memory). A receiver that takes less at a time makes more of them.
    """
    most = 64 if message.fd else 8
    if message.segmented is not None:
        lead = 1 + (message.segmented == "extended")
        alone = message.length + lead + (message.length + lead > 8)
        if alone <= most:
            return replace(message, length=wire_length(max(alone, 8), fd=message.fd)), 1
        first = most - lead - (1 if message.length < 4096 else 5)
        return replace(message, length=most), 2 + -(-(message.length - first) // (most - lead))
    if message.length <= most:
        return message, 1
    packets = -(-message.length // (most - 1))
    destination = message.j1939.destination if message.j1939 else None
    control = 1 if destination in (None, GLOBAL_ADDRESS) else 3
    return replace(message, length=most), packets + control


def duration_ns(bits: Bits, bit_rate: int, data_bit_rate: int | None = None) -> int:
    """Time on the wire [ns] at bit rates [bit/s]; each part rounded up to a whole nanosecond."""
    data_rate = data_bit_rate or bit_rate
    return -(-bits.arbitration * 10**9 // bit_rate) - (-bits.data * 10**9 // data_rate)


def durations_ns(
    arbitration: npt.NDArray[np.integer],
    data: npt.NDArray[np.integer],
    bit_rate: int | I64,
    data_bit_rate: int | I64 | None = None,
) -> I64:
    """:func:`duration_ns` for arrays of shape ``(n_frames,)``; the rates may be arrays too."""
    import numpy as np

    data_rate = bit_rate if data_bit_rate is None else data_bit_rate
    slow = -(-arbitration.astype(np.int64) * 10**9 // bit_rate)
    fast = -(-data.astype(np.int64) * 10**9 // data_rate)
    return np.asarray(slow + fast, np.int64)


def nominal_table_bits(table: FrameTable) -> tuple[I32, I32]:
    """Arbitration and data bits of every frame without dynamic stuff bits, shape ``(n_frames,)``.

    Error frames count :data:`ERROR_BITS_NOMINAL`; the frame they broke off is not known. Lengths
    that no frame can have count as the next possible one.
    """
    return _look_up(table, worst=False)


def worst_table_bits(table: FrameTable) -> tuple[I32, I32]:
    """Most arbitration and data bits every frame could have had, shape ``(n_frames,)``.

    Error frames count :data:`ERROR_BITS_WORST`; lengths as in :func:`nominal_table_bits`.
    """
    return _look_up(table, worst=True)


def _look_up(table: FrameTable, *, worst: bool) -> tuple[I32, I32]:
    import numpy as np

    from busplan.frames.kinds import BRS, ERROR, EXTENDED, FD, REMOTE

    kind = table.flags & np.uint8(EXTENDED | FD | BRS | REMOTE | ERROR)
    found = _bits_by_flags(worst)[kind, np.minimum(table.length, 64)]
    return np.ascontiguousarray(found[:, 0]), np.ascontiguousarray(found[:, 1])


@cache
def _bits_by_flags(worst: bool) -> I32:
    """Bits by flags and payload length, shape ``(64, 65, 2)``."""
    import numpy as np

    from busplan.frames.kinds import BRS, ERROR, EXTENDED, FD, REMOTE

    count = worst_bits if worst else nominal_bits
    error = Bits(ERROR_BITS_WORST if worst else ERROR_BITS_NOMINAL, 0)
    bits = np.zeros((64, 65, 2), np.int32)
    for flags in range(64):
        fd = bool(flags & FD)
        for length in range(65):
            bits[flags, length] = (
                error
                if flags & ERROR
                else count(
                    length if fd else min(length, 8),
                    extended=bool(flags & EXTENDED),
                    fd=fd,
                    switched=fd and bool(flags & BRS),
                    remote=bool(flags & REMOTE) and not fd,
                )
            )
    return bits
