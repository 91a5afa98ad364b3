"""Blocks of several files in one order of time; the slow twin sorts one frame after the other."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busplan.capture.chunks import ChannelNames, Chunk, join
from busplan.capture.merging import merged
from busplan.frames.kinds import REMOTE

MINUTE = 60 * 10**9

times = st.lists(st.integers(0, 50), max_size=30)
cuts = st.lists(st.integers(1, 7), min_size=1, max_size=6)


def chunk(file: int, rows: list[int], time_ns: list[int]) -> Chunk:
    """The rows of a file: the identifier is the row, the payload says file and row, or nothing."""
    remote = np.array([row % 5 == 4 for row in rows], bool)
    length = np.array([row % 4 for row in rows], np.uint8)
    payload = [file * 100 + row for row in rows for _ in range(row % 4) if row % 5 != 4]
    return Chunk(
        np.array(time_ns, np.int64),
        np.full(len(rows), file, np.uint16),
        np.array(rows, np.uint32),
        np.where(remote, REMOTE, 0).astype(np.uint8),
        length,
        np.array(payload, np.uint8),
    )


def blocks(file: int, time_ns: list[int], sizes: list[int]) -> Iterator[Chunk]:
    first = turn = 0
    while first < len(time_ns):
        last = first + sizes[turn % len(sizes)]
        yield chunk(file, list(range(first, min(last, len(time_ns)))), time_ns[first:last])
        first, turn = last, turn + 1
        yield chunk(file, [], [])


@given(st.lists(st.tuples(times, cuts), max_size=3))
@settings(max_examples=80)
def test_every_file_keeps_its_order_and_all_lie_by_time(
    files: list[tuple[list[int], list[int]]],
) -> None:
    slow = []
    for file, (time_ns, _) in enumerate(files):
        latest = -1
        for row, t in enumerate(time_ns):
            latest = max(latest, t)
            slow.append((latest, file, row, t))
    streams = [blocks(file, *given_) for file, given_ in enumerate(files)]
    table = join(merged(streams), ChannelNames())
    wanted = [(file, row, t) for _, file, row, t in sorted(slow)]
    assert list(zip(table.network, table.identifier, table.time_ns, strict=True)) == wanted
    for at, (file, row, _) in enumerate(wanted):
        count = 0 if row % 5 == 4 else row % 4
        assert table.bytes_of(at) == bytes([file * 100 + row]) * count


def test_a_frame_from_the_future_does_not_hold_back_its_file() -> None:
    left = [k * MINUTE for k in range(40)]
    left[7] = 10**6 * MINUTE
    right = [k * MINUTE + 1 for k in range(40)]
    table = join(merged([blocks(0, left, [20]), blocks(1, right, [20])]), ChannelNames())
    assert table.network.tolist() == [0, 1] * 6 + [0, 0, 1, 1] + [0, 1] * 32
