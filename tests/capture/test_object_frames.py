"""One object a frame, turned into columns."""

import can
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from busplan.capture.object_frames import message_chunk, nanoseconds
from busplan.frames.kinds import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, SENT


def test_every_kind_of_frame_keeps_what_it_says() -> None:
    messages = [
        can.Message(timestamp=1.5, arbitration_id=0x123, is_extended_id=False, data=b"\1\2"),
        can.Message(
            timestamp=2.0,
            arbitration_id=0x18FF1234,
            is_fd=True,
            bitrate_switch=True,
            error_state_indicator=True,
            data=bytes(12),
        ),
        can.Message(
            timestamp=2.5, arbitration_id=1, is_extended_id=False, is_remote_frame=True, dlc=4
        ),
        can.Message(timestamp=3.0, arbitration_id=0x80, is_error_frame=True, is_rx=False),
    ]
    chunk = message_chunk(messages, [0, 1, 0, 1])
    assert chunk.time_ns.tolist() == [1_500_000_000, 2_000_000_000, 2_500_000_000, 3_000_000_000]
    assert chunk.network.tolist() == [0, 1, 0, 1]
    assert chunk.identifier.tolist() == [0x123, 0x18FF1234, 1, 0x80]
    assert chunk.flags.tolist() == [0, EXTENDED | FD | BRS | ESI, REMOTE, EXTENDED | ERROR | SENT]
    assert chunk.length.tolist() == [2, 12, 4, 0]
    assert chunk.payload.tobytes() == b"\1\2" + bytes(12)


@given(st.integers(0, 4_000_000_000_000_000))
def test_microseconds_since_1970_survive_the_float(us: int) -> None:
    assert int(nanoseconds([us / 1e6])[0]) == us * 1000


@given(st.integers(0, 10**15))
def test_nanoseconds_of_a_short_recording_survive_the_float(ns: int) -> None:
    assert abs(int(nanoseconds(np.array([ns / 1e9]))[0]) - ns) <= 1
