"""The recording's file: whole lines, nothing joined, nothing lost without being counted."""

import os
from pathlib import Path

import pytest

from busplan.errors import UsageError
from busplan.live.log_writer import LogWriter

LINE = b"(1.000000) can0 123#0011\n"


class SmallDisk:
    """A pipe that takes few bytes until it is drained: the operating system's own short writes."""

    def __init__(self) -> None:
        self.out, self.into = os.pipe()
        os.set_blocking(self.into, False)
        os.set_blocking(self.out, False)
        self.seen = b""

    def drain(self) -> None:
        while True:
            try:
                piece = os.read(self.out, 1 << 16)
            except BlockingIOError:
                return
            if not piece:
                return
            self.seen += piece


def test_lines_arrive_in_order_at_once(tmp_path: Path) -> None:
    writer = LogWriter(tmp_path / "a.log")
    writer.open(0)
    writer.write(LINE, 0)
    writer.write(LINE * 2, 0)
    assert (tmp_path / "a.log").read_bytes() == LINE * 3  # before any close
    writer.close()
    assert (writer.written_frames, writer.dropped_frames) == (3, 0)


def test_a_short_write_goes_on_where_it_stopped_and_joins_no_lines(tmp_path: Path) -> None:
    disk = SmallDisk()
    writer = LogWriter(tmp_path / "a.log", open_file=lambda _: disk.into)
    writer.open(0)
    blocks = [b"%06d " % n * 3000 + b"\n" for n in range(12)]
    for block in blocks:
        writer.write(block, 0)
    assert writer.trouble is not None
    assert writer.waiting_frames > 0
    while writer.waiting_frames:
        disk.drain()
        writer.write(b"", 0)
    disk.drain()
    writer.close()
    disk.drain()
    assert disk.seen == b"".join(blocks)
    assert (writer.written_frames, writer.dropped_frames, writer.trouble) == (12, 0, None)


def test_a_full_disk_is_named_and_what_cannot_wait_is_counted(tmp_path: Path) -> None:
    full = os.open("/dev/full", os.O_WRONLY)
    writer = LogWriter(tmp_path / "a.log", open_file=lambda _: full, waiting_limit=len(LINE) * 4)
    writer.open(0)
    for _ in range(6):
        writer.write(LINE, 0)
    assert "No space left" in (writer.trouble or "")
    assert (writer.waiting_frames, writer.dropped_frames) == (4, 2)
    writer.close()
    assert (writer.written_frames, writer.dropped_frames) == (0, 6)


def test_rotation_by_size_and_by_time(tmp_path: Path) -> None:
    writer = LogWriter(tmp_path / "a.log", rotate_bytes=len(LINE) * 2, rotate_ns=10**10)
    writer.open(0)
    for second in range(3):
        writer.write(LINE, second * 10**9)
    writer.write(LINE, 12 * 10**9)
    writer.close()
    sizes = [p.stat().st_size // len(LINE) for p in sorted(tmp_path.iterdir())]
    assert sizes == [2, 1, 1]
    assert [p.name for p in writer.files] == ["a-0001.log", "a-0002.log", "a-0003.log"]


def test_an_existing_recording_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "a.log").write_bytes(LINE)
    with pytest.raises(UsageError, match="exists already"):
        LogWriter(tmp_path / "a.log").open(0)
    assert (tmp_path / "a.log").read_bytes() == LINE


def test_a_log_is_opened_as_bytes_where_a_system_tells_text_from_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    binary, seen, opened = 1 << 29, [], os.open

    def note(path: Path, flags: int, mode: int = 0o777) -> int:
        seen.append(flags)
        return opened(path, flags & ~binary, mode)

    monkeypatch.setattr(os, "O_BINARY", binary, raising=False)
    monkeypatch.setattr(os, "open", note)
    LogWriter(tmp_path / "a.log").open(0)
    assert [bool(flags & binary) for flags in seen] == [True]
