"""Error frames in the words of a controller, bit by bit.

Values: ``include/uapi/linux/can/error.h`` of the Linux kernel (from memory): error classes are bits
of the identifier, CAN_ERR_CRTL_* are bits of data byte 1.
"""

import numpy as np
import pytest

from busplan.frames.kinds import ERROR
from busplan.frames.table import FrameTable
from busplan.live.controller import controller_states, overflows

CRTL, BUSOFF, RESTARTED, CNT, PROT = 0x004, 0x040, 0x100, 0x200, 0x008


def errors(*frames: tuple[int, bytes], flag: int = ERROR) -> FrameTable:
    data = b"".join(d for _, d in frames)
    n = len(frames)
    return FrameTable.from_columns(
        ["drive"],
        np.arange(n),
        np.zeros(n),
        [kind for kind, _ in frames],
        np.full(n, flag),
        [len(d) for _, d in frames],
        np.frombuffer(data, np.uint8),
    )


def detail(byte: int, sent: int = 0, received: int = 0) -> bytes:
    return bytes([0, byte, 0, 0, 0, 0, sent, received])


@pytest.mark.parametrize(
    ("kind", "data", "state"),
    [
        (CRTL, detail(0x04), "error warning"),  # RX_WARNING
        (CRTL, detail(0x08), "error warning"),  # TX_WARNING
        (CRTL, detail(0x10), "error passive"),  # RX_PASSIVE
        (CRTL, detail(0x20), "error passive"),  # TX_PASSIVE
        (CRTL, detail(0x2C), "error passive"),
        (CRTL, detail(0x40), "error active"),  # ACTIVE
        (RESTARTED, detail(0), "error active"),
        (BUSOFF, detail(0), "bus off"),
        (BUSOFF | CRTL, detail(0x30), "bus off"),
        (CRTL | CNT, detail(0x20, 130, 5), "error passive (sent 130, received 5)"),
        (CRTL, detail(0x20, 130, 5), "error passive"),
    ],
)
def test_each_bit_tells_its_state(kind: int, data: bytes, state: str) -> None:
    assert controller_states(errors((kind, data))) == {0: state}


@pytest.mark.parametrize(
    ("kind", "data"), [(PROT, detail(0x10)), (CRTL, detail(0x01)), (CRTL, b"\0")]
)
def test_what_tells_no_state_is_left_out(kind: int, data: bytes) -> None:
    assert controller_states(errors((kind, data))) == {}


def test_the_newest_state_counts_and_data_frames_tell_none() -> None:
    table = errors((BUSOFF, detail(0)), (RESTARTED, detail(0)))
    assert controller_states(table) == {0: "error active"}
    assert controller_states(errors((BUSOFF, detail(0)), flag=0)) == {}


def test_only_a_receive_buffer_that_ran_over_is_an_overflow() -> None:
    """RX_OVERFLOW is bit 0 of byte 1; TX_OVERFLOW, bit 1, loses nothing that was received."""
    frames = [(CRTL, detail(0x01)), (CRTL, detail(0x02)), (PROT, detail(0x01)), (CRTL, b"\0")]
    assert overflows(errors(*frames)).tolist() == [True, False, False, False]
