"""Every format: what python-can writes, we read, and what a format cannot hold is stated.

The reference is python-can's own writers (general-purpose library).
"""

from __future__ import annotations

import contextlib
import gzip
import json
import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import can
import pytest
from support.command import busplan
from support.formats import formats

from busplan.capture.capture import Capture
from busplan.capture.formats import FORMATS, Format
from busplan.capture.read import read_capture
from busplan.errors import CaptureError
from busplan.frames.kinds import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, SENT

START_S = 1_700_000_000
Row = tuple[int, str, int, int, int, bytes]
"""Time [µs], channel, identifier, flags, length, payload."""

CLASSICAL: list[Row] = [
    (0, "can0", 0x123, 0, 8, bytes(range(8))),
    (1000, "can1", 0x123, EXTENDED, 3, b"\xff\x00\x80"),
    (1500, "can0", 0x7FF, 0, 0, b""),
    (2001, "can1", 0x1FFFFFFF, EXTENDED, 1, b"\x55"),
    (5_000_001, "can0", 0, 0, 2, b"\x0d\x0a"),
]
FD_ROWS: list[Row] = [
    (6_000_000, "can0", 0x321, FD | BRS, 64, bytes(range(64))),
    (6_000_500, "can1", 0x10, FD | EXTENDED, 12, bytes(12)),
    (6_000_900, "can1", 0x11, FD | BRS | ESI, 5, b"hello"),
    (6_000_950, "can1", 0x12, FD, 0, b""),
]
REMOTE_ROWS: list[Row] = [(7_000_000, "can0", 0x111, REMOTE, 4, b"")]
SENT_ROWS: list[Row] = [(8_000_000, "can1", 0x222, SENT, 1, b"\1")]


def rows_for(kind: Format) -> list[Row]:
    rows = list(CLASSICAL)
    if kind.suffix == ".trc":  # the reference writer knows neither CAN FD nor remote frames here
        return rows + SENT_ROWS
    rows += FD_ROWS if kind.fd else []
    if kind.remote:
        # The reference writer of the text log drops the length a remote frame asks for.
        rows += [(*r[:4], 0, b"") if kind.suffix == ".log" else r for r in REMOTE_ROWS]
    return rows + (SENT_ROWS if kind.direction else [])


def message(row: Row) -> can.Message:
    time_us, channel, identifier, flags, length, data = row
    return can.Message(
        timestamp=START_S + time_us / 1e6,
        arbitration_id=identifier,
        is_extended_id=bool(flags & EXTENDED),
        is_remote_frame=bool(flags & REMOTE),
        is_error_frame=bool(flags & ERROR),
        is_fd=bool(flags & FD),
        bitrate_switch=bool(flags & BRS),
        error_state_indicator=bool(flags & ESI),
        is_rx=not flags & SENT,
        channel=channel,
        dlc=length,
        data=data,
    )


def write(path: Path, rows: list[Row]) -> Path:
    """Write with python-can; the SQLite writer needs its thread to finish, so it is closed."""
    with can.Logger(path) as logger:
        for row in rows:
            logger.on_message_received(message(row))
    return path


def seen(capture: Capture, origin_us: int) -> list[Row]:
    t = capture.frames
    return [
        (
            (int(t.time_ns[i]) + 500) // 1000 - origin_us,
            t.networks[t.network[i]],
            int(t.identifier[i]),
            int(t.flags[i]),
            int(t.length[i]),
            t.bytes_of(i),
        )
        for i in range(len(t))
    ]


def expected(kind: Format, rows: list[Row]) -> list[Row]:
    if kind.channels:
        return rows
    return [(r[0], "unnamed", *r[2:]) for r in rows]


@pytest.fixture(params=formats())
def kind(request: pytest.FixtureRequest) -> Format:
    found: Format = request.param
    return found


def test_what_is_written_is_read(kind: Format, tmp_path: Path) -> None:
    rows = rows_for(kind)
    capture = read_capture(write(tmp_path / f"a{kind.suffix}", rows))
    origin_us = START_S * 1_000_000 if kind.absolute else 0
    assert seen(capture, origin_us) == expected(kind, rows)
    assert capture.frames.epoch is kind.absolute
    assert [c.frames for c in capture.channels] == (
        [sum(r[1] == c for r in rows) for c in ("can0", "can1")] if kind.channels else [len(rows)]
    )
    heavy = {f.code for f in capture.findings if f.weight}
    assert heavy == (set() if kind.channels else {"channels-not-recorded"})


def test_an_error_frame_keeps_its_channel(kind: Format, tmp_path: Path) -> None:
    row: Row = (2_500_000, "can1", 0, ERROR, 0, b"")
    capture = read_capture(write(tmp_path / f"a{kind.suffix}", [*CLASSICAL, row]))
    errors = [r for r in seen(capture, 0) if r[3] & ERROR]
    assert [r[1] for r in errors] == [r[1] for r in expected(kind, [row])] * kind.errors
    assert len(capture.frames) == len(CLASSICAL) + kind.errors


def test_what_a_format_cannot_hold_is_said_where_the_capture_is_shown(
    kind: Format, tmp_path: Path
) -> None:
    """Each limit is true of what the reference writer leaves of a frame that has everything."""
    path = write(tmp_path / f"a{kind.suffix}", [*CLASSICAL, *SENT_ROWS])
    flags = read_capture(path).frames.flags
    assert bool((flags & SENT).any()) is kind.direction
    out = busplan("measure", path).out
    for limit in kind.limits:
        assert f"no {limit}" in out
    source = json.loads(busplan("measure", path, "--json").out)["capture"]["sources"][0]
    assert source["format_cannot_hold"] == list(kind.limits)


def test_gzipped_files_read_the_same(kind: Format, tmp_path: Path) -> None:
    rows = rows_for(kind)
    plain = write(tmp_path / f"a{kind.suffix}", rows)
    packed = tmp_path / f"a{kind.suffix}.gz"
    packed.write_bytes(gzip.compress(plain.read_bytes()))
    if not kind.gzip:
        with pytest.raises(CaptureError, match="unpack"):
            read_capture(packed)
        return
    assert seen(read_capture(packed), 0) == seen(read_capture(plain), 0)


def small_file(kind: Format, path: Path) -> Path:
    """A file of few frames, as small as the format allows."""
    rows = rows_for(kind)
    write(path, rows if kind.suffix in {".log", ".csv"} else [rows[0], rows[1], *rows[-3:]])
    if kind.suffix == ".db":
        with closing(sqlite3.connect(path)) as database:
            database.execute("PRAGMA page_size = 512")
            database.execute("VACUUM")
    return path


def test_a_file_cut_anywhere_loses_only_its_end_and_says_so(kind: Format, tmp_path: Path) -> None:
    whole = small_file(kind, tmp_path / f"whole{kind.suffix}")
    data = whole.read_bytes()
    all_rows = seen(read_capture(whole), 0)
    path = tmp_path / f"cut{kind.suffix}"
    path.write_bytes(data)
    refused = 0
    size, tried = len(data), 0
    for cut in reversed(range(size)):
        if size > 4000 and 300 < cut < size - 1000 and cut % 7:
            continue  # every byte near both ends of a file that cannot be small, every 7th between
        tried += 1
        os.truncate(path, cut)
        try:
            capture = read_capture(path)
        except CaptureError:
            refused += 1
            continue
        rows = seen(capture, 0)
        if kind.suffix == ".db":  # pages fill from their ends: what is cut off came before others
            assert all(row in all_rows for row in rows), cut
        else:
            assert rows == all_rows[: len(rows)], cut
        # A TRC line says how many bytes follow: it is known to be whole without its line end.
        bare = kind.suffix == ".trc" and data[cut:].startswith((b"\r", b"\n"))
        at_line_end = bare or data[:cut].endswith((b"\n", b"\r"))
        assert len(rows) == len(all_rows) or at_line_end or capture.findings, cut
    if kind.suffix == ".db":
        # Others read a database whose last page is cut, with other bytes; here those rows are told.
        assert size - 400 < size - (tried - refused) < size
    # What lies in these two is only told by pages or blocks all over the file, its end included.
    assert refused < tried or kind.suffix in {".db", ".mf4"}


def test_a_database_cut_in_its_last_page_loses_what_lay_there_and_counts_it(tmp_path: Path) -> None:
    """SQLite itself (the reference) mostly reads every row of it, some with other bytes."""
    rows = [(1000 * k, "can0", 0x100 + k, 0, 8, bytes(range(k, k + 8))) for k in range(60)]
    whole = write(tmp_path / "whole.db", rows)
    with closing(sqlite3.connect(whole)) as database:
        database.execute("PRAGMA page_size = 1024")
        database.execute("VACUUM")
    data, everything = whole.read_bytes(), seen(read_capture(whole), 0)
    path = tmp_path / "cut.db"
    altered = 0
    for cut in (1, 2, 3, 9, 20, 30, 31, 60, 100, 300):
        path.write_bytes(data[:-cut])
        with closing(sqlite3.connect(path)) as database, contextlib.suppress(sqlite3.DatabaseError):
            theirs = database.execute("SELECT data FROM messages").fetchall()
            altered += {d for (d,) in theirs} != {r[5] for r in rows}
        capture = read_capture(path)
        mine = seen(capture, 0)
        told = sum(
            int(f.figures[0].value)
            for f in capture.findings
            if f.code == "capture-entry-unreadable"
        )
        assert all(row in everything for row in mine), cut
        assert len(mine) + told == len(everything), cut
        assert 0 < told < len(everything) // 2
        assert "capture-ends-early" in {f.code for f in capture.findings}
    assert altered > 5
    # Where more than a page is missing nothing is believed.
    path.write_bytes(data[:-1024])
    with pytest.raises(CaptureError, match="is cut"):
        read_capture(path)


def test_a_gzipped_file_cut_anywhere_says_so(tmp_path: Path) -> None:
    whole = gzip.compress(small_file(FORMATS[0], tmp_path / "a.log").read_bytes() * 2)
    path = tmp_path / "cut.log.gz"
    path.write_bytes(whole)
    count = len(read_capture(path).frames)
    for cut in reversed(range(1, len(whole))):
        os.truncate(path, cut)
        try:
            capture = read_capture(path)
        except CaptureError:
            continue
        assert len(capture.frames) <= count
        assert "capture-ends-early" in {f.code for f in capture.findings}, cut


@pytest.mark.parametrize("name", ["a.txt", "a.log", "a.csv.gz", "a"])
def test_content_decides_before_the_name(kind: Format, tmp_path: Path, name: str) -> None:
    data = write(tmp_path / f"a{kind.suffix}", rows_for(kind)).read_bytes()
    (tmp_path / name).write_bytes(data)
    assert read_capture(tmp_path / name).sources[0].format == kind.name
    if kind.gzip:
        (tmp_path / name).write_bytes(gzip.compress(data))
        assert read_capture(tmp_path / name).sources[0].format == kind.name


DST_S = 1_698_541_200
"""29 October 2023 01:00 UTC, when Central Europe went back from summer time (IANA tz database)."""


@pytest.fixture
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    def move(name: str) -> None:
        monkeypatch.setenv("TZ", name)
        time.tzset()

    yield move
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize("written_in", ["UTC", "Europe/Berlin"])
def test_the_zone_of_whoever_reads_or_writes_changes_no_time(
    kind: Format, tmp_path: Path, zone: Callable[[str], None], written_in: str
) -> None:
    """A capture over the end of summer time, which an hour of local time passes twice."""
    shift_us = (DST_S - START_S) * 1_000_000
    rows = [(shift_us + k * 600_000_000, "can0", 0x100 + k, 0, 1, b"\1") for k in range(-6, 7)]
    zone(written_in)
    path = write(tmp_path / f"a{kind.suffix}", rows)
    origin_us = START_S * 1_000_000 if kind.absolute else -rows[0][0]
    if kind.suffix == ".mf4":  # the reference writer stores its local time, and says that it does
        origin_us += datetime.now().astimezone().utcoffset() // timedelta(microseconds=1)
    for read_in in ("UTC", "Europe/Berlin", "America/New_York", "Pacific/Auckland"):
        zone(read_in)
        capture = read_capture(path)
        assert [r[0] for r in seen(capture, origin_us)] == [r[0] for r in rows], read_in
        assert capture.frames.epoch is kind.absolute
        states_no_zone = kind.suffix in {".blf", ".mf4"}
        assert ("assumed" in capture.sources[0].clock) is states_no_zone
        assert ("time-zone-unknown" in {f.code for f in capture.findings}) is states_no_zone


def test_text_in_the_wrong_encoding_is_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_bytes("(1.0) can0 123#00\n".encode("utf-16"))
    with pytest.raises(CaptureError, match="UTF-16"):
        read_capture(path)


@pytest.mark.parametrize("suffix", [".log", ".asc", ".csv", ".trc"])
def test_text_with_a_byte_order_mark_and_windows_line_ends(suffix: str, tmp_path: Path) -> None:
    kind = next(f for f in FORMATS if f.suffix == suffix)
    plain = write(tmp_path / f"a{suffix}", rows_for(kind))
    marked = tmp_path / f"b{suffix}"
    lines = plain.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", b"\r\n")
    marked.write_bytes(b"\xef\xbb\xbf" + lines)
    a, b = read_capture(plain), read_capture(marked)
    assert seen(a, 0) == seen(b, 0)
    assert [f.code for f in a.findings] == [f.code for f in b.findings]
