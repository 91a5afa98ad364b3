"""Opening captures: bad input, several files, channels, trust in time stamps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import can
import numpy as np
import pytest
from support.random_frames import random_frames

from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.capture.textlog import write_textlog
from busplan.errors import CaptureError, UsageError
from busplan.frames.kinds import SENT
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Network, Vehicle
from busplan.wording import counted

S = 10**9
EPOCH = 1_700_000_000 * S


def lines(*times: float, channel: str = "can0", identifier: str = "123") -> str:
    return "".join(f"({t:.6f}) {channel} {identifier}#{i % 256:02X}\n" for i, t in enumerate(times))


def put(path: Path, text: str | bytes) -> Path:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "no such file"),
        (b"", "the file is empty"),
        (bytes(range(256)) * 50, "not a capture busplan can read"),
        (b"\x1f\x8b" + bytes(range(200)), "gzip stream is damaged"),
        (b"LOGG\0\1\2", "not a readable BLF file"),
        (b"SQLite format 3\0 and no more", "database is cut"),
        (b"(1.0) can0 123#00", "no readable frame"),
        (b"  can0  123   [2]  00 11\n", "a listing for reading on screen"),
        (b" (1.0)  can0  12345678   [2]  00 11\n", "a listing for reading on screen"),
        (b"(9) rubbish\n" * 100, "cannot be read, more than the 25 % tolerated"),
        (b"(1.0) can0 123#00\n" * 30 + b"(9) rubbish\n" * 21, "21 of 51 lines cannot be read"),
    ],
)
def test_bad_input_gives_one_clear_message(
    tmp_path: Path, content: bytes | None, says: str
) -> None:
    path = tmp_path / "a.dat"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(CaptureError, match=says) as error:
        read_capture(path)
    assert str(path) in str(error.value)
    assert "\n" not in str(error.value)


def test_a_folder_and_no_file_at_all_are_refused(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="not a file"):
        read_capture(tmp_path)
    with pytest.raises(UsageError):
        read_capture([])


def test_wrong_lines_below_the_limit_are_findings(tmp_path: Path) -> None:
    path = put(tmp_path / "a.log", lines(*range(1, 100)) + "oops\n" * 20)
    capture = read_capture(path)
    assert len(capture.frames) == 99
    (finding,) = [f for f in capture.findings if f.code == "capture-entry-unreadable"]
    assert finding.where.line == 100
    assert "20 lines" in finding.summary


def test_files_split_by_time_join_in_order_whatever_the_order_named(tmp_path: Path) -> None:
    late = put(tmp_path / "late.log", lines(11, 12))
    early = put(tmp_path / "early.log", lines(1, 2))
    capture = read_capture([late, early])
    assert (capture.frames.time_ns // S).tolist() == [1, 2, 11, 12]
    assert capture.frames.networks == ("can0",)
    assert len(next(iter(capture.frames.groups.values()))) == 4
    assert [s.frames for s in capture.sources] == [2, 2]


def test_equal_channel_names_that_overlap_in_time_stay_apart(tmp_path: Path) -> None:
    left = put(tmp_path / "left.log", lines(1001, 1002, 1003))
    right = put(tmp_path / "right.log", lines(1002, 1002.5))
    capture = read_capture([left, right])
    assert capture.frames.networks == ("left:can0", "right:can0")
    assert "channel-name-shared" in {f.code for f in capture.findings if f.weight}
    named = read_capture([left, right], channels={"left:can0": "pack", "right:can0": "drive"})
    assert named.frames.networks == ("pack", "drive")
    assert not [f for f in named.findings if f.weight]
    with pytest.raises(UsageError, match="right:can9"):
        read_capture([left, right], channels={"right:can9": "pack"})


def test_equal_file_names_are_told_apart_by_their_folders(tmp_path: Path) -> None:
    for folder in ("x", "y"):
        (tmp_path / folder).mkdir()
    x = put(tmp_path / "x" / "a.log", lines(1001, 1002, 1003))
    y = put(tmp_path / "y" / "a.log", lines(1002, 1002.5))
    assert read_capture([x, y]).frames.networks == ("x/a:can0", "y/a:can0")
    with pytest.raises(UsageError, match="several files are called"):
        read_capture([x, y], offsets={"a.log": 1})
    assert read_capture([x, y], offsets={str(y): S}).sources[1].offset_ns == S
    with pytest.raises(UsageError, match="named twice"):
        read_capture([x, tmp_path / "y" / ".." / "x" / "a.log"])


def test_a_stale_first_frame_does_not_make_files_overlap(tmp_path: Path) -> None:
    early = put(tmp_path / "early.log", lines(*range(1000, 1100)))
    late = put(tmp_path / "late.log", lines(5, *range(2000, 2100)))
    capture = read_capture([early, late])
    assert capture.frames.networks == ("can0",)
    (channel,) = capture.channels
    assert (channel.first_ns, channel.last_ns) == (1000 * S, 2099 * S)
    assert channel.frames == 201


def test_files_that_begin_at_their_own_zero_are_said_to_be_unaligned(tmp_path: Path) -> None:
    a = put(tmp_path / "a.log", lines(0, 1, 2))
    b = put(tmp_path / "b.log", lines(0.5, 1, channel="can1"))
    (finding,) = read_capture([a, b]).findings
    assert finding.code == "files-not-aligned"
    assert "--offset b.log=SECONDS" in finding.action
    assert read_capture([a, b], offsets={"b.log": 0}).findings == ()


def test_overlapping_files_with_offsets_are_the_capture_they_were_cut_from(tmp_path: Path) -> None:
    """Reference: the one file that the three were cut from."""
    n, rng = 12_000, np.random.default_rng(3)
    table = replace(
        random_frames(n, 3),
        networks=("can0", "can1", "can2"),
        network=rng.integers(0, 3, n).astype(np.uint16),
        time_ns=EPOCH + np.cumsum(rng.integers(1, 10**6, n)),
    )
    write_textlog(table, tmp_path / "whole.log")
    offsets = {"p0.log": 0, "p1.log": 7 * S, "p2.log": -S // 3}
    for part, (name, offset) in enumerate(offsets.items()):
        mine = table.take(np.flatnonzero(table.network == part))
        write_textlog(replace(mine, time_ns=mine.time_ns - offset), tmp_path / name)
    one = read_capture(tmp_path / "whole.log").frames
    many = read_capture([tmp_path / name for name in offsets], offsets=offsets).frames
    for name in ("time_ns", "identifier", "flags", "length", "payload"):
        assert np.array_equal(getattr(one, name), getattr(many, name)), name
    assert [one.networks[k] for k in one.network] == [many.networks[k] for k in many.network]
    assert one.groups.keys() == many.groups.keys()
    assert all(np.array_equal(rows, many.rows_of(key)) for key, rows in one.groups.items())


def test_offsets_align_files_and_are_stated(tmp_path: Path) -> None:
    a = put(tmp_path / "a.log", lines(1_700_000_000, 1_700_000_001))
    b = put(tmp_path / "b.log", lines(0, 1, channel="can1"))
    with pytest.raises(CaptureError, match=r"--offset b\.log"):
        read_capture([a, b])
    capture = read_capture([a, b], offsets={"b.log": EPOCH + S // 4})
    assert capture.frames.span_ns == int(1.25 * S)
    assert [s.offset_ns for s in capture.sources] == [0, 1_700_000_000_250_000_000]
    with pytest.raises(UsageError, match=r"c\.log"):
        read_capture([a, b], offsets={"c.log": 1})


def test_files_that_lie_apart_in_time_are_told(tmp_path: Path) -> None:
    a = put(tmp_path / "a.log", lines(*range(1_700_003_600, 1_700_003_700)))
    b = put(tmp_path / "b.log", lines(*range(1_700_000_000, 1_700_000_100), channel="can1"))
    (finding,) = read_capture([a, b]).findings
    assert (finding.code, finding.figures[0].value) == ("files-apart", 3501.0)
    assert "--offset a.log=SECONDS" in finding.action
    assert read_capture([a, b], offsets={"b.log": 3605 * S}).findings == ()
    assert read_capture([a, b], offsets={"b.log": 3700 * S}).findings == ()


def test_the_clock_is_stated(tmp_path: Path) -> None:
    own = read_capture(put(tmp_path / "a.log", lines(0, 1)))
    assert not own.frames.epoch
    assert own.sources[0].clock == "the recorder's own start"
    utc = read_capture(put(tmp_path / "b.log", lines(1_700_000_000, 1_700_000_001)))
    assert utc.frames.epoch
    assert utc.sources[0].clock == "UTC"


def vehicle(**channels: tuple[str, ...]) -> Vehicle:
    networks = {n: Network(n, 500_000, channels=c) for n, c in channels.items()}
    return Vehicle("Magpie", "magpie.toml", MappingProxyType(networks), {}, {}, ())


def test_the_plan_names_the_networks_and_strangers_are_reported(tmp_path: Path) -> None:
    path = put(tmp_path / "a.log", lines(1) + lines(2, channel="can7"))
    capture = apply_plan(read_capture(path), vehicle(pack=("can0", "can1"), drive=()))
    assert capture.frames.networks == ("pack", "can7")
    assert [c.network for c in capture.channels] == ["pack", None]
    assert [f.where.network for f in capture.findings if f.code == "channel-unknown"] == ["can7"]
    with pytest.raises(CaptureError, match="can0, can7"):
        apply_plan(read_capture(path), vehicle(pack=("vcan0",)))


def test_times_that_step_back_are_reported_and_kept(tmp_path: Path) -> None:
    capture = read_capture(put(tmp_path / "a.log", lines(10, 11, 10.5, 12, 11.999)))
    assert (capture.frames.time_ns / S).tolist() == [10, 11, 10.5, 12, 11.999]
    (finding,) = [f for f in capture.findings if f.code == "time-steps-back"]
    assert "2 frames" in finding.summary
    assert "500.000 ms" in finding.summary
    assert "first: frame 3" in finding.summary
    rows = next(iter(capture.frames.groups.values()))
    assert rows.tolist() == [0, 2, 1, 4, 3]


def test_a_long_pause_and_a_stale_first_frame_are_reported(tmp_path: Path) -> None:
    times = [5.0, *(1000 + i / 10 for i in range(300)), *(1100 + i / 10 for i in range(300))]
    capture = read_capture(put(tmp_path / "a.log", lines(*times)))
    codes = {f.code: f for f in capture.findings}
    assert "1 pause " in codes["time-gap"].summary
    assert "1 frame is" in codes["time-not-believable"].summary
    assert capture.frames.span_ns == int(129.9 * S)


@pytest.mark.parametrize(
    ("before", "after", "kept"),
    [
        ([5.0], [1_700_000_000.0, 1_700_000_001.0, 1_700_000_002.0], slice(1, None)),
        (
            [k / 10 for k in range(300)],
            [1_700_000_000 + k / 10 for k in range(300)],
            slice(300, 600),
        ),
        ([k / 10 for k in range(900)], [2e9 + k / 10 for k in range(300)], slice(0, 900)),
        ([1e8 + k / 10 for k in range(90)], [1.7e9 + k / 10 for k in range(99)], slice(90, None)),
    ],
    ids=["four frames", "clock set half way", "clock jumps near the end", "clock set early on"],
)
def test_a_clock_that_is_set_while_recording_stretches_nothing(
    tmp_path: Path, before: list[float], after: list[float], kept: slice
) -> None:
    capture = read_capture(put(tmp_path / "a.log", lines(*before, *after)))
    times = [round(t * 1e6) * 1000 for t in [*before, *after]]
    assert capture.frames.time_ns.tolist() == times
    assert capture.frames.believable == (times[kept][0], times[kept][-1])
    (channel,) = capture.channels
    assert (channel.first_ns, channel.last_ns) == capture.frames.believable
    codes = {f.code: f for f in capture.findings}
    outside = counted(len(times) - len(times[kept]), "frame")
    assert outside in codes["time-not-believable"].summary
    assert "time-gap" not in codes


@pytest.mark.parametrize(("gap_ns", "flag"), [(20_000, 0), (600_000, SENT)])
def test_an_echoing_adapter_is_found(tmp_path: Path, gap_ns: int, flag: int) -> None:
    n = 100
    times = np.repeat(np.arange(n) * 10**7 + EPOCH, 2)
    times[1::2] += gap_ns
    table = FrameTable.from_columns(
        ["can0"],
        times,
        np.zeros(2 * n),
        np.full(2 * n, 0x55),
        np.tile([0, flag], n),
        np.ones(2 * n),
        np.repeat(np.arange(n) % 256, 2),
    )
    write_textlog(table, tmp_path / "a.log")
    (finding,) = read_capture(tmp_path / "a.log").findings
    assert finding.code == "frames-doubled"
    assert "100 of 200" in finding.summary


def test_equal_frames_at_a_possible_distance_are_no_echo(tmp_path: Path) -> None:
    times = np.arange(200) * 500_000 + EPOCH
    zeros = np.zeros(200)
    table = FrameTable.from_columns(["can0"], times, zeros, zeros, zeros, zeros, [])
    write_textlog(table, tmp_path / "a.log")
    assert read_capture(tmp_path / "a.log").findings == ()


def test_a_capture_of_too_many_days_is_refused_with_the_way_out(tmp_path: Path) -> None:
    """The screens count loads in bins of 0.1 s; the bins of weeks would fill the memory."""
    from busplan.replay.opening import first_replay

    day = 86_400
    path = put(tmp_path / "a.log", lines(10 * day, 10 * day + 5, 15.5 * day))
    with pytest.raises(
        CaptureError, match=r"spans 5\.5 days and the screens hold 4 .* busplan cut"
    ):
        first_replay(read_capture(path), vehicle(pack=("can0",)))


def test_the_last_line_of_trc_counts_without_its_end_only_when_it_is_whole(tmp_path: Path) -> None:
    head = ";$FILEVERSION=1.1\n;$STARTTIME=43000.5\n"
    line = "     2)         2.0  Rx         0124  3  0A 0B 0C"
    path = tmp_path / "x.trc"
    for cut in range(len(line) - 12, len(line) + 1):
        path.write_text(f"{head}     1)         1.0  Rx         0123  2  01 02\n{line[:cut]}")
        capture = read_capture(path)
        torn = "capture-ends-early" in [f.code for f in capture.findings]
        assert (len(capture.frames), torn) == ((2, False) if cut == len(line) else (1, True))


def test_an_error_frame_without_a_class_is_one_for_other_readers_too(tmp_path: Path) -> None:
    path, copy = tmp_path / "x.log", tmp_path / "y.log"
    path.write_text("(1.000000) can0 20000000#\n(2.000000) can0 123#01\n")
    write_textlog(read_capture(path).frames, copy)
    with can.CanutilsLogReader(copy) as read:
        assert [m.is_error_frame for m in read] == [True, False]


@pytest.mark.parametrize("kind", ["Rx   d 2 01 02", "Rx   d 2 01 02 odd", "Rx   r"])
def test_channel_zero_of_asc_has_a_name_of_its_own(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "x.asc"
    lines = f"   0.100000 0  123             {kind}\n   0.200000 1  123             {kind}\n"
    path.write_text(f"date Mon Jan 1 00:00:00.000 2024\nbase hex  timestamps absolute\n{lines}")
    assert set(read_capture(path).frames.networks) == {"channel0", "can0"}
