"""The text log: what is read, what is set aside and how that is told."""

import gzip
from pathlib import Path

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplan.capture.textlog import read_textlog, write_textlog
from busplan.frames.kinds import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, SENT
from busplan.frames.table import FrameTable

GOOD = """\
(1436509052.249713) vcan0 123#0123456789ABCDEF
(1436509053.25) vcan1 1234567F##3001122334455667788AABBCC
(1.5) can0 7FF#R8
(1.5) can0 20000004#0004000000000000 T
(1.000000001) can0 001#
"""


def log(tmp_path: Path, text: str, name: str = "a.log") -> Path:
    path = tmp_path / name
    path.write_bytes(text.encode())
    return path


def test_every_kind_of_frame_is_read(tmp_path: Path) -> None:
    table, tally = read_textlog(log(tmp_path, GOOD))
    assert table.networks == ("vcan0", "vcan1", "can0")
    assert table.time_ns.tolist() == [
        1436509052_249713000,
        1436509053_250000000,
        1_500000000,
        1_500000000,
        1_000000001,
    ]
    assert table.identifier.tolist() == [0x123, 0x1234567F, 0x7FF, 4, 1]
    assert table.flags.tolist() == [0, EXTENDED | FD | BRS | ESI, REMOTE, ERROR | SENT, 0]
    assert table.length.tolist() == [8, 12, 8, 8, 0]
    assert table.bytes_of(1).hex() == "001122334455667788aabbcc"
    assert tally.findings() == []


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("rubbish", "time"),
        ("(1,5) can0 123#00", "time"),
        ("(1.5)can0 123#00", "time"),
        ("(4000000000.0) can0 123#00", "time"),
        ("(1.5)  123#00", "channel"),
        ("(1.5) can0 12#00", "identifier"),
        ("(1.5) can0 800#00", "out of range"),
        ("(1.5) can0 80000000#00", "out of range"),
        ("(1.5) can0 123#0", "odd digit"),
        ("(1.5) can0 123#0G", "odd digit"),
        ("(1.5) can0 123#001122334455667788", "longer"),
        ("(1.5) can0 123##0" + "00" * 65, "longer"),
        ("(1.5) can0 123##0" + "00" * 9, "CAN FD payload length"),
        ("(1.5) can0 123##G", "odd digit"),
        ("(1.5) can0 123#00 X", "after the frame"),
    ],
)
def test_a_wrong_line_is_set_aside_with_its_number_and_nothing_else_is(
    tmp_path: Path, line: str, reason: str
) -> None:
    text = f"(1.0) can0 123#00\n{line}\n(2.0) can0 123#01\n"
    table, tally = read_textlog(log(tmp_path, text))
    assert table.time_ns.tolist() == [10**9, 2 * 10**9]
    assert [table.bytes_of(i) for i in range(2)] == [b"\0", b"\1"]
    (finding,) = tally.findings()
    assert finding.where.line == 2
    assert reason in finding.summary


def test_a_last_line_without_a_line_end_is_not_trusted(tmp_path: Path) -> None:
    table, tally = read_textlog(log(tmp_path, "(1.0) can0 123#0011\n(2.0) can0 123#00"))
    assert len(table) == 1
    assert "line 2 has no line end" in tally.findings()[0].summary


def test_line_ends_of_other_systems_and_empty_lines_are_fine(tmp_path: Path) -> None:
    table, tally = read_textlog(log(tmp_path, "\r\n(1.0) can0 123#00 R\r\n\n(2.0) can0 123#01\n"))
    assert len(table) == 2
    assert tally.findings() == []


@pytest.mark.parametrize("name", ["a.log", "a.log.gz"])
def test_what_is_written_reads_back_the_same(tmp_path: Path, name: str) -> None:
    table, _ = read_textlog(log(tmp_path, GOOD))
    write_textlog(table, tmp_path / "again" if name == "a.log" else tmp_path / name)
    again, tally = read_textlog(tmp_path / "again" if name == "a.log" else tmp_path / name)
    assert tally.findings() == []
    for column in ("time_ns", "network", "identifier", "flags", "length", "start", "payload"):
        assert np.array_equal(getattr(again, column), getattr(table, column)), column
    assert again.networks == table.networks


def test_python_can_reads_what_we_write(tmp_path: Path) -> None:
    """Outside reference: the text log reader of python-can (general-purpose library)."""
    table = FrameTable.from_columns(
        ["can0", "can1"],
        [1_700_000_000_123_456_000 + i for i in range(0, 4000, 1000)],
        [0, 1, 0, 1],
        [0x123, 0x1ABCDEF0, 0x7FF, 0x321],
        [0, EXTENDED, REMOTE, FD | BRS],
        [3, 8, 4, 12],
        np.arange(23),
    )
    write_textlog(table, tmp_path / "x.log")
    with can.LogReader(tmp_path / "x.log") as reader:
        messages = list(reader)
    assert [m.arbitration_id for m in messages] == table.identifier.tolist()
    assert [m.is_extended_id for m in messages] == table.extended.tolist()
    assert [m.channel for m in messages] == ["can0", "can1", "can0", "can1"]
    assert [bytes(m.data) for m in messages] == [table.bytes_of(i) for i in range(4)]
    assert [m.is_remote_frame for m in messages] == [False, False, True, False]
    assert messages[3].is_fd
    assert messages[3].bitrate_switch
    assert messages[2].dlc == 4


def test_blocks_of_any_size_give_the_same_frames(tmp_path: Path) -> None:
    from busplan.capture.chunks import ChannelNames, join
    from busplan.capture.tally import Tally
    from busplan.capture.textlog import text_chunks

    text = "".join(
        f"({i}.000001) can{i % 7} {i % 2048:03X}#{'AB' * (i % 9)}\n" + ("wrong\n" * (i % 10 == 0))
        for i in range(500)
    )
    path = log(tmp_path, text)
    whole, tally = read_textlog(path)
    names, small = ChannelNames(), Tally("a")
    cut = join(text_chunks(path, small, names, block=97), names)
    assert small.wrong == tally.wrong
    assert small.places == tally.places
    assert small.entries == tally.entries
    for column in ("time_ns", "network", "identifier", "flags", "length", "start", "payload"):
        assert np.array_equal(getattr(cut, column), getattr(whole, column)), column


def test_a_cut_gzip_stream_keeps_what_was_whole(tmp_path: Path) -> None:
    data = gzip.compress(GOOD.encode() * 50)
    path = tmp_path / "a.log.gz"
    path.write_bytes(data[:-20])
    table, tally = read_textlog(path)
    assert 0 < len(table) <= 250
    assert "gzip stream is cut" in tally.findings()[0].summary


def test_gzip_members_one_after_the_other_are_one_file(tmp_path: Path) -> None:
    path = tmp_path / "a.log.gz"
    path.write_bytes(gzip.compress(GOOD.encode()) * 2)
    table, tally = read_textlog(path)
    assert len(table) == 10
    assert tally.findings() == []


def test_zeros_after_a_gzip_member_are_padding_and_anything_else_is_damage(tmp_path: Path) -> None:
    path = tmp_path / "a.log.gz"
    member = gzip.compress(GOOD.encode())
    path.write_bytes(member + bytes(513) + member + bytes(1 << 19))
    table, tally = read_textlog(path)
    assert (len(table), tally.findings()) == (10, [])
    path.write_bytes(member + b"and more")
    table, tally = read_textlog(path)
    assert len(table) == 5
    assert "gzip stream is damaged" in tally.findings()[0].summary


def test_a_byte_order_mark_costs_no_line(tmp_path: Path) -> None:
    table, tally = read_textlog(log(tmp_path, "\ufeff" + GOOD))
    assert (len(table), tally.findings()) == (5, [])


def test_a_fourth_flag_bit_of_can_fd_is_nobodys_and_loses_no_frame(tmp_path: Path) -> None:
    """Linux ``include/uapi/linux/can.h`` (CANFD_BRS, _ESI, _FDF): bits 0 to 2 of the nibble."""
    text = "".join(f"(1.0) can0 123##{nibble:X}00\n" for nibble in range(16))
    table, tally = read_textlog(log(tmp_path, text))
    assert tally.findings() == []
    wanted = [FD | BRS * (n & 1) | ESI * (n >> 1 & 1) for n in range(16)]
    assert table.flags.tolist() == wanted


def test_names_of_interfaces_are_taken_as_they_are(tmp_path: Path) -> None:
    names = ["can0", "slcan-1.2", "Brücke#3", "a(b)", "x" * 64]
    text = "".join(f"(1.0) {name} 123#00\n" for name in names)
    table, tally = read_textlog(log(tmp_path, text + "(1.0) " + "x" * 65 + " 123#00\n"))
    assert table.networks == tuple(names)
    assert tally.wrong == {"has no readable channel name": 1}


pieces = st.sampled_from(
    [
        "(1700000000.000033) can4 104#00000030753C0082",
        "(1700000000.000210) can2 18FF0002#00000030753C00DA",
        "(1700000000.000213) vcan10 1f#",
        "(1700000000.000213) c 7ff#aabb",
        "(1700000000.000213) c 800#aabb",
        "(9999999999.000213) c 123#aabb",
        "(1700000000.0002) c 123#aabb",
        "(1700000000.000213) channel 3FFFFFFF#00",
        "(1700000000.000213) can0 123##1aabb",
        "(1700000000.000213) can0 123#R4",
    ]
)


@given(
    st.lists(
        st.tuples(pieces, st.integers(0, 60), st.sampled_from(["", " ", "#", "0", "G", "\r", "R"])),
        max_size=12,
    )
)
@settings(max_examples=60)
def test_the_fast_way_through_a_line_equals_the_careful_one(
    lines: list[tuple[str, int, str]],
) -> None:
    """The same lines read with and without enough room behind them for the fast way."""
    from busplan.capture.textlog import _parse

    text = "".join(line[:at] + put + line[at:] + "\n" for line, at, put in lines)
    careful = [
        _parse(np.frombuffer(t.encode(), np.uint8))
        for t in text.replace("\n", "\n\0").split("\0")
        if t
    ]
    fast = _parse(np.frombuffer(text.encode() + b"\n" * 200, np.uint8))
    for column in ("time_ns", "identifier", "flags", "length", "payload"):
        joined = [getattr(p.columns, column) for p in careful]
        expected = np.concatenate(joined) if joined else []
        assert np.array_equal(getattr(fast.columns, column), expected), column
    assert fast.wrong.tolist() == np.sum([p.wrong for p in careful] or [fast.wrong], 0).tolist()
    named = [fast.names[i] for i in fast.columns.network]
    assert named == [p.names[i] for p in careful for i in p.columns.network]
