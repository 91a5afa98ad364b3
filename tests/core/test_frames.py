"""The frame table: columns in, the same frames out."""

import numpy as np

from busplan.capture.frames import ERROR, EXTENDED, REMOTE, FrameTable
from busplan.definitions.model import FrameKey


def table() -> FrameTable:
    return FrameTable.from_columns(
        ["can0", "can1"],
        [30, 10, 20, 40, 50],
        [0, 0, 1, 0, 0],
        [0x100, 0x100, 0x100, 0x100, 1],
        [0, 0, EXTENDED, REMOTE, ERROR],
        [2, 1, 3, 4, 0],
        [1, 2, 3, 4, 5, 6],
    )


def test_payloads_follow_each_other_and_a_remote_frame_has_none() -> None:
    t = table()
    assert [t.bytes_of(i) for i in range(5)] == [b"\1\2", b"\3", b"\4\5\6", b"", b""]


def test_groups_are_in_time_order_and_keep_identifier_widths_apart() -> None:
    groups = table().groups
    assert groups[FrameKey("can0", False, 0x100)].tolist() == [1, 0, 3]
    assert groups[FrameKey("can1", True, 0x100)].tolist() == [2]
    assert len(groups) == 2


def test_short_payloads_are_padded_with_zero_in_the_matrix() -> None:
    assert table().payload_matrix([0, 2, 3], 3).tolist() == [[1, 2, 0], [4, 5, 6], [0, 0, 0]]


def test_relabel_joins_channels_that_share_a_network() -> None:
    t = table().relabel({"can0": "drive", "can1": "drive"})
    assert t.networks == ("drive",)
    assert t.network.tolist() == [0] * 5


def test_take_shares_the_payload() -> None:
    t = table()
    part = t.take(np.array([2, 0]))
    assert part.payload is t.payload
    assert [part.bytes_of(i) for i in range(2)] == [b"\4\5\6", b"\1\2"]


def test_an_empty_table_has_no_span_and_no_groups() -> None:
    t = FrameTable.empty()
    assert (len(t), t.span_ns, t.groups) == (0, 0, {})
