"""ASC text: the kernel and the careful reader together give what python-can's reader gives.

The reference is python-can's reader (general-purpose library), line by line.
"""

from __future__ import annotations

from pathlib import Path

import can
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from busplan.capture.capture import Capture
from busplan.capture.object_frames import flags_of
from busplan.capture.read import read_capture
from busplan.errors import CaptureError
from busplan.frames.kinds import EXTENDED, FD, REMOTE

HEAD = "date Mon May 4 08:00:00.000 2026\nbase hex  timestamps absolute\ninternal events logged\n"
Seen = tuple[int, str, int, int, int, str]


def put(path: Path, body: str, head: str = HEAD) -> Path:
    path.write_text(head + body)
    return path


def ours(capture: Capture) -> list[Seen]:
    t = capture.frames
    return [
        (
            int(t.time_ns[i]),
            t.networks[t.network[i]],
            int(t.identifier[i]),
            int(t.flags[i]),
            int(t.length[i]),
            t.bytes_of(i).hex(),
        )
        for i in range(len(t))
    ]


def theirs(path: Path) -> list[Seen]:
    found = []
    with can.ASCReader(path) as reader:
        for m in reader:
            flags = flags_of(m)
            length = m.dlc if flags & REMOTE else len(m.data)
            if flags & FD:  # the library calls a CAN FD frame without payload remote
                flags, length = flags & ~REMOTE, len(m.data)
            found.append(
                (
                    round(m.timestamp * 1e9),
                    f"can{m.channel}",
                    m.arbitration_id,
                    flags,
                    length,
                    m.data.hex(),
                )
            )
    return found


GOOD = [
    "   0.001000 1  123             Rx   d 8 00 11 22 33 44 55 66 77",
    "1.5 12 1abcdef0x Tx d 2 ff 0A  Length = 240000 BitCount = 124 ID = 314310128x",
    "\t2.123456789 2\t7FF\tRx\td 0",
    "3.000000 3  123  Rx  r 4",
    "3.500000 3  18FF0102x  Rx  r",
    "4.000000 2  ErrorFrame",
    "4.000100 CANFD   2 Rx   123   1 0 9 12 00 01 02 03 04 05 06 07 08 09 0a 0b  0  0 1000 0",
    "4.000200 CANFD   1 Tx   1abcdef0x  MotorStatus  0 1 8  8 00 01 02 03 04 05 06 07 130 130",
    "4.000300 CANFD   1 Rx   12  1stName  1 1 1  1 55 0 0",
    "4.000400 CANFD   1 Rx   12   1 1 0  0  0 0 1000 0",
    "4.000500 CANFD   1 Rx  ErrorFrame   0 0 0 0",
]
OTHER = [
    "",
    "// remark 1 2 3",
    "0.000000 Start of measurement",
    "5.000000 1 Statistic: D 93 R 0 XD 0 XR 0 E 0 O 0 B 1.20%",
    "5.000000 J1939TP FEE3p 6 0 0 - Rx d 23 A0 0F A6",
    "5.000000 1  123  TxRq  d 1 00",
    "5.000000 SV: 1 0 1 ::value = 5",
    "Begin Triggerblock Mon May 4 08:00:00.000 2026",
    "End TriggerBlock",
]


@given(st.lists(st.sampled_from(GOOD + OTHER), max_size=30))
@example(GOOD + OTHER)
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_lines_of_every_kind_read_as_the_reference_reads_them(
    tmp_path: Path, lines: list[str]
) -> None:
    path = put(tmp_path / "a.asc", "".join(line + "\n" for line in lines))
    wanted = theirs(path)
    if not wanted:
        with pytest.raises(CaptureError, match="no readable frame"):
            read_capture(path)
        return
    capture = read_capture(path)
    assert ours(capture) == wanted
    assert not [f for f in capture.findings if f.code == "capture-entry-unreadable"]


BAD = [
    "1.000000 1  123  Rx  d 8 00 11",
    "1.000000 1  123  Rx  d 2 00 1",
    "1.000000 1  123  Rx  d 2 00 GG",
    "1.000000 1  800  Rx  d 1 00",
    "1.000000 1  20000000x  Rx  d 1 00",
    "1.000000 1  123  Rx  q 1 00",
    "1.000000 1  123  Rx",
    "9999999999.0 1  123  Rx  d 1 00",
    "1.000000 CANFD 1 Rx 123 1 0 9 13 00 01 02 03 04 05 06 07 08 09 0a 0b 0c",
    "1.000000 CANFD 1 Rx 123 1 0 9 12 00 01 02",
    "1.000000 CANFD 1 Rx",
]


@pytest.mark.parametrize("line", BAD)
def test_a_wrong_line_is_counted_with_its_number_and_costs_no_other(
    tmp_path: Path, line: str
) -> None:
    path = put(tmp_path / "a.asc", "\n".join([*GOOD, line, *GOOD]) + "\n")
    capture = read_capture(path)
    assert len(capture.frames) == 2 * len(GOOD)
    (finding,) = [f for f in capture.findings if f.where.line]
    assert finding.where.line == 3 + len(GOOD) + 1
    assert finding.code in {"capture-entry-unreadable", "capture-entry-not-a-frame"}


def test_rows_keep_their_order_over_many_blocks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = []
    for k in range(1, 3000):
        kind = "r 3" if k % 7 == 0 else "d 1 55"
        lines.append(f"{k / 1000:.6f} {k % 3 + 1}  {k % 2048:X}{'x' * (k % 2)}  Rx  {kind}")
    path = put(tmp_path / "a.asc", "\n".join(lines) + "\n")
    monkeypatch.setattr("busplan.capture.blocks.FIRST", 999)
    capture = read_capture(path)
    assert ours(capture) == theirs(path)
    assert capture.findings == ()


def test_a_frame_right_behind_a_header_without_its_last_line_is_kept(tmp_path: Path) -> None:
    """The library takes whatever line ends the header for a part of it."""
    head = HEAD.replace("internal events logged\n", "")
    path = put(tmp_path / "a.asc", GOOD[0] + "\n" + GOOD[2] + "\n", head)
    assert len(theirs(path)) == 1
    assert [row[0] for row in ours(read_capture(path))] == [1_000_000, 2_123_456_789]


def test_decimal_numbers_are_read_by_the_header(tmp_path: Path) -> None:
    head = HEAD.replace("hex", "dec")
    path = put(tmp_path / "a.asc", "1.0 1 291 Rx d 2 16 255\n1.1 1 536870911x Rx d 1 9\n", head)
    assert ours(read_capture(path)) == [
        (10**9, "can0", 291, 0, 2, "10ff"),
        (1_100_000_000, "can0", 0x1FFFFFFF, EXTENDED, 1, "09"),
    ]


def test_times_counted_from_line_to_line_are_refused(tmp_path: Path) -> None:
    path = put(tmp_path / "a.asc", GOOD[0] + "\n", HEAD.replace("absolute", "relative"))
    with pytest.raises(CaptureError, match="absolute time stamps"):
        read_capture(path)


def test_a_block_without_its_end_mark_is_told(tmp_path: Path) -> None:
    begin = "Begin Triggerblock Mon May 4 08:00:00.000 2026\n"
    path = put(tmp_path / "a.asc", begin + GOOD[0] + "\n")
    (finding,) = read_capture(path).findings
    assert finding.code == "capture-ends-early"
    put(path, begin + GOOD[0] + "\nEnd TriggerBlock")
    assert read_capture(path).findings == ()
