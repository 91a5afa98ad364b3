"""CSV files of any layout: columns told or found, what is not clear asked for, damage counted.

The layouts are our own, after what recorders and spreadsheets write: common practice, no source.
"""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import numpy as np
import pytest
from support.command import busplan

from busplan.capture.capture import Capture
from busplan.capture.csv_columns import parse_columns
from busplan.capture.read import read_capture
from busplan.errors import CaptureError, UsageError
from busplan.findings import Weight
from busplan.frames.kinds import ERROR, EXTENDED, FD, REMOTE, SENT

FRAMES = [
    (0.0, "can1", 0x123, 0, b"\x00\x01\x02\x03\x04\x05\x06\x07"),
    (0.0105, "can2", 0x18FF50E5, EXTENDED, b"\xff\x80"),
    (0.02, "can1", 0x00A, 0, b""),
    (1.5, "can2", 0x7FF, 0, b"\x0d"),
]
"""What every layout below holds."""

LAYOUTS = {
    "plain": "Time,Bus,ID,Data\n0.0,1,123,0001020304050607\n0.0105,2,18FF50E5,FF80\n"
    "0.02,1,00A,\n1.5,2,7FF,0D\n",
    "bytes apart": "Time Stamp [ms];Channel;Identifier (hex);Ext;DLC;D0;D1;D2;D3;D4;D5;D6;D7\n"
    "0,0;1;123;0;8;00;01;02;03;04;05;06;07\n10,5;2;18FF50E5;1;2;FF;80\n20,0;1;00A;0;0\n"
    "1500,0;2;7FF;0;1;0D;;;;;;;\n",
    "remarks before, tabs, microseconds": "recorded by nobody\n\n"
    "timestamp_us\tcan id\textended\tbus\tlength\tpayload\n"
    "0\t0x123\tfalse\t1\t8\t00 01 02 03 04 05 06 07\n10500\t0x18FF50E5\ttrue\t2\t2\tFF 80\n"
    "20000\t0x00A\tfalse\t1\t0\t\n1500000\t0x7FF\tfalse\t2\t1\t0D\n",
    "quoted, dates": '"time","channel","id","data"\n'
    '"1970-01-01T00:00:00","can1","123","0x00 0x01 0x02 0x03 0x04 0x05 0x06 0x07"\n'
    '"1970-01-01T00:00:00.010500","can2","18FF50E5x","FF-80"\n'
    '"1970-01-01 00:00:00.020","can1","00A",""\n"1970-01-01T00:00:01.500Z","can2","7FF","0D"\n',
    "decimal, told": "t,i,b,x\n0.0,291,1,0 1 2 3 4 5 6 7\n0.0105,419385573,2,255 128\n"
    "0.02,10,1,\n1.5,2047,2,13\n",
    "no headings, told by number": "0.0|1|123|0001020304050607|a\n0.0105|2|18FF50E5|FF80|b\n"
    "0.02|1|00A||c\n1.5|2|7FF|0D|d\n",
    "clock": "Time,Bus,ID,Data\n0:00:00.0,1,123,0001020304050607\n0:00:00.0105,2,18FF50E5,FF80\n"
    "0:00:00.02,1,00A,\n0:00:01.5,2,7FF,0D\n",
}
TOLD = {
    "decimal, told": "time=t,id=i:dec,bus=b,data=x:dec",
    "no headings, told by number": "time=1,bus=2,id=3,data=4",
}


def seen(capture: Capture) -> list[tuple[float, str, int, int, bytes]]:
    t = capture.frames
    return [
        (
            int(t.time_ns[i]) / 1e9,
            t.networks[t.network[i]],
            int(t.identifier[i]),
            int(t.flags[i]),
            t.bytes_of(i),
        )
        for i in range(len(t))
    ]


def codes(capture: Capture) -> set[str]:
    return {f.code for f in capture.findings if f.weight}


def written(folder: Path, text: str, name: str = "a.csv") -> Path:
    (folder / name).write_text(text, "utf-8")
    return folder / name


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_each_layout_gives_the_same_frames(tmp_path: Path, layout: str, ends: str) -> None:
    path = written(tmp_path, LAYOUTS[layout].replace("\n", ends))
    capture = read_capture(path, columns=TOLD.get(layout, ""))
    assert seen(capture) == FRAMES
    assert not codes(capture)
    assert capture.sources[0].format == "CSV table"
    packed = tmp_path / "a.csv.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    assert seen(read_capture(packed, columns=TOLD.get(layout, ""))) == FRAMES


def test_flags_have_columns_of_their_own(tmp_path: Path) -> None:
    text = (
        "time,id,ext,rtr,error,dir,dlc,data\n"
        "0.1,100A,yes,0,0,Rx,1,00\n0.2,123,no,1,0,Tx,4,\n0.3,,no,0,1,Rx,0,\n"
        f"0.4,00F,no,0,0,Rx,9,{'11' * 12}\n0.5,00F,maybe,0,0,Rx,1,11\n"
    )
    capture = read_capture(written(tmp_path, text))
    table = capture.frames
    assert table.flags.tolist() == [EXTENDED, REMOTE | SENT, ERROR, FD]
    assert table.length.tolist() == [1, 4, 0, 12]
    # No bus column: said; one line says neither yes nor no: counted, with its place.
    assert codes(capture) == {
        "channels-not-recorded",
        "capture-entry-unreadable",
        "frame-kind-assumed",
    }
    (wrong,) = (f for f in capture.findings if f.code == "capture-entry-unreadable")
    assert wrong.where.line == 6


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a,b,c\n1,2,3\n", "none is the time; none is the id; none is the data"),
        ("Time,ID,Payload,Data\n0.1,001,00,00\n", '"Payload" and "Data" could each be the data'),
        ("Time,ID,Data\n100,001,00\n200,001,01\n", "--columns time=Time:ms"),
        ("Time,ID,Data\n0.1,291,00\n0.2,100,01\n", "--columns id=ID:hex or id=ID:dec"),
        ("Time,ID,Data\n0.1,0A1,1 10\n0.2,0A1,2 3\n", "data=Data:dec"),
        ("Time,ID,Data\nnoon,001,00\n", "holds no times, for example 'noon'"),
        ("nothing here\n", "no line of headings"),
        ("", "empty"),
    ],
)
def test_what_is_not_clear_is_asked_for(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(CaptureError) as error:
        read_capture(written(tmp_path, text))
    assert said in str(error.value)


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ("time", "wants time="),
        ("time=a,time=b,id=c,data=d", "names time twice"),
        ("speed=1", "of time, id, data"),
        ("time=1,id=2", "says nothing of data"),
        ("time=1,id=2:ms,data=3", "id takes no 'ms'"),
        ("time=1,id=2,data=D0", "use one or the other"),
        ("time=1,id=2,data=9..3", "before its first"),
    ],
)
def test_wrong_columns_are_wrong_calls(tmp_path: Path, told: str, said: str) -> None:
    path = written(tmp_path, LAYOUTS["plain"])
    with pytest.raises((UsageError, CaptureError)) as error:
        read_capture(path, columns=told)
    assert said in str(error.value)


def test_names_may_hold_commas_and_equal_signs() -> None:
    told = parse_columns("time=Time, start=0:ms,id=Id,data=B0..B7")
    assert told["time"] == ("Time, start=0", "ms")
    assert told["data"].name == "B0..B7"


def test_columns_for_a_capture_of_another_format_are_refused(tmp_path: Path) -> None:
    path = written(tmp_path, "(1.0) can0 123#00\n", "a.log")
    with pytest.raises(UsageError, match="there is none"):
        read_capture(path, columns="time=1,id=2,data=3")


def test_a_table_under_any_name_is_read_when_its_columns_are_told(tmp_path: Path) -> None:
    path = written(tmp_path, LAYOUTS["plain"], "a.txt")
    with pytest.raises(CaptureError, match="--columns"):
        read_capture(path)
    assert seen(read_capture(path, columns="time=Time,id=ID,bus=Bus,data=Data")) == FRAMES


def test_other_columns_are_another_kept_copy(tmp_path: Path, monkeypatch) -> None:
    from busplan.capture import read

    monkeypatch.setattr(read, "KEPT_FROM", 0)
    monkeypatch.setenv("BUSPLAN_CACHE_DIR", str(tmp_path / "kept"))
    path = written(tmp_path, "s,ms,id,data\n0.5,7,00A,11\n0.75,8,00A,12\n")
    for column, last in (("s", 0.75), ("ms:ms", 0.008), ("s", 0.75)):
        capture = read_capture(path, columns=f"time={column},id=id,data=data")
        assert seen(capture)[-1][0] == pytest.approx(last)


GOOD = "Time,Bus,ID,DLC,Data\n" + "".join(
    f"{k / 10:.6f},1,{0x100 + k:03X},8,{bytes(range(k, k + 8)).hex()}\n" for k in range(60)
)


def test_a_file_cut_anywhere_loses_only_its_end_and_says_so(tmp_path: Path) -> None:
    whole = seen(read_capture(written(tmp_path, GOOD)))
    assert len(whole) == 60
    for cut in range(len(GOOD) - 70, len(GOOD)):
        capture = read_capture(written(tmp_path, GOOD[:cut], "cut.csv"))
        rows = seen(capture)
        assert rows == whole[: len(rows)], cut
        at_line_end = GOOD[:cut].endswith("\n") or GOOD[cut:].startswith("\n")
        assert len(rows) == len(whole) or at_line_end or codes(capture), cut


def test_every_line_is_a_frame_or_counted(tmp_path: Path) -> None:
    rng = np.random.default_rng(13)
    begin = GOOD.index("\n") + 1
    for _ in range(60):
        bad = bytearray(GOOD.encode())
        for at in rng.integers(begin, len(bad) - 1, 5):
            bad[at] ^= 1 << rng.integers(0, 8)
        (tmp_path / "bad.csv").write_bytes(bad)
        try:
            capture = read_capture(tmp_path / "bad.csv")
        except CaptureError:
            continue
        told = sum(
            int(f.figures[0].value)
            for f in capture.findings
            if f.code in {"capture-entry-unreadable", "capture-entry-not-a-frame"}
        )
        torn = any(f.code == "capture-ends-early" for f in capture.findings)
        lines = bytes(bad[begin:]).split(b"\n")
        blank = sum(not line.strip() for line in lines)
        assert len(capture.frames) + told + torn == len(lines) - blank


@pytest.mark.parametrize(
    "command",
    [
        ("measure",),
        ("survey",),
        ("replay", "--text", "--screen", "messages"),
        ("decode", "--plan", "PLAN"),
        ("pack", "--plan", "PLAN"),
        ("cut", "--out", "OUT"),
        ("bench", "n", "--plan", "PLAN", "--capture"),
    ],
    ids=lambda c: c[0],
)
def test_every_command_that_opens_captures_takes_columns(tmp_path: Path, command) -> None:
    """Without being told they ask; told, they read."""
    (tmp_path / "n.dbc").write_text(
        'VERSION ""\nBU_: N\nBO_ 291 M: 8 N\n SG_ V : 0|8@1+ (1,0) [0|0] "V" N\n', "utf-8"
    )
    (tmp_path / "plan.toml").write_text(
        '[vehicle]\nname = "Invented"\n[network.a]\nbit_rate = 500_000\nchannels = ["can1"]\n'
        '[part.n]\ndefinitions = "n.dbc"\nbit_rates = [500_000]\n[node.n]\npart = "n"\n'
        'on = ["a"]\n[message."n/M"]\ncycle_ms = 100\n',
        "utf-8",
    )
    rows = "".join(f"{k * 100},1,291,0{k % 10}00000000000000\n" for k in range(20))
    path = written(tmp_path, "when,where,who,what\n" + rows)
    places = {"PLAN": tmp_path / "plan.toml", "OUT": tmp_path / "out.log"}
    typed = [places.get(word, word) for word in command]
    asked = busplan(*typed, path, "--no-cache")
    assert asked.code == 3
    assert "--columns" in asked.err
    told = "time=when:ms,bus=where,id=who:dec,data=what"
    run = busplan(*typed, path, "--no-cache", "--columns", told)
    assert "Traceback" not in run.err
    assert "--columns" not in run.err
    # No pack is in the plan: that is said, after the capture was read.
    assert run.code != 3 or command[0] == "pack"
    if command[0] == "cut":
        assert len(read_capture(places["OUT"]).frames) == 20


def test_the_browser_and_json_know_what_a_table_cannot_hold(tmp_path: Path) -> None:
    out = busplan("measure", written(tmp_path, LAYOUTS["plain"]), "--json").out
    assert json.loads(out)["capture"]["sources"][0]["format_cannot_hold"] == ["CAN FD"]


def test_a_file_whose_one_network_was_named_needs_no_channel_column(tmp_path: Path) -> None:
    path = written(tmp_path, "time,id,dlc,data\n0.1,0x100,1,00\n0.2,0x101,1,00\n")
    for channels, weight in ((None, Weight.CAUTION), ({"unnamed": "pack"}, Weight.NOTE)):
        capture = read_capture(path, channels=channels)
        (told,) = (f for f in capture.findings if f.code == "channels-not-recorded")
        assert told.weight is weight
    assert capture.frames.networks == ("pack",)
