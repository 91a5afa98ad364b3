"""The frame table: columns in, the same frames out."""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from support.random_frames import random_frames

from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import ERROR, EXTENDED, REMOTE
from busplan.frames.table import FrameTable, group_rows


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


def test_the_matrix_holds_the_bytes_of_every_frame() -> None:
    """Reference: ``bytes_of``, frame by frame; the last rows reach the payload's end."""
    t = random_frames(300, 4)
    for width in (0, 1, 8, 64):
        for rows in (np.arange(300), np.arange(150)[::-1]):
            seen = [row.tobytes() for row in t.payload_matrix(rows, width)]
            assert seen == [t.bytes_of(int(r))[:width].ljust(width, b"\0") for r in rows]


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


def test_one_stale_frame_does_not_stretch_the_span() -> None:
    hour = 3600 * 10**9
    times = np.arange(1000, dtype=np.int64) * 10**7 + 500 * hour
    times[0] = 3
    t = FrameTable.from_columns(["a"], times, [0] * 1000, [1] * 1000, [0] * 1000, [0] * 1000, [])
    assert t.origin_ns == times[1]
    assert t.span_ns == times[-1] - times[1]
    times[400] = 900 * hour
    assert t.take(slice(None)).span_ns == times[-1] - times[1]


def test_a_short_capture_with_a_pause_is_believed() -> None:
    times = np.array([0, 1, 2, 3000, 3001]) * 10**9
    t = FrameTable.from_columns(["a"], times, [0] * 5, [1] * 5, [0] * 5, [0] * 5, [])
    assert t.span_ns == 3001 * 10**9


@given(
    st.lists(
        st.tuples(
            st.integers(0, 50),
            st.integers(0, 2),
            st.integers(0, 40),
            st.sampled_from([0, EXTENDED, ERROR, REMOTE]),
        ),
        max_size=200,
    )
)
@settings(max_examples=50)
def test_groups_equal_a_plain_sort(rows: list[tuple[int, int, int, int]]) -> None:
    columns = [list(c) for c in zip(*rows, strict=True)] or [[], [], [], []]
    t = FrameTable.from_columns(["a", "b", "c"], *columns, [0] * len(rows), [])
    expected: dict[FrameKey, list[int]] = {}
    for row in sorted(range(len(rows)), key=lambda i: (rows[i][0], i)):
        _, network, identifier, flags = rows[row]
        if not flags & ERROR:
            key = FrameKey("abc"[network], bool(flags & EXTENDED), identifier)
            expected.setdefault(key, []).append(row)
    assert {k: v.tolist() for k, v in t.groups.items()} == expected
    assert list(t.groups) == sorted(expected)
    joined = replace(t, index=group_rows(t)).relabel({"a": "x", "c": "x"})
    again = replace(joined, index=None)
    assert {k: v.tolist() for k, v in joined.groups.items()} == {
        k: v.tolist() for k, v in again.groups.items()
    }


def test_more_identifiers_than_the_first_tables_hold() -> None:
    n = 5000
    t = FrameTable.from_columns(["a"], range(n), [0] * n, range(n), [EXTENDED] * n, [0] * n, [])
    assert [g.identifier for g in group_rows(t)] == list(range(n))
