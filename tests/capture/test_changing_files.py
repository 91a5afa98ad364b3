"""Captures that go, grow or are exchanged: one error or the frames as they are, never old ones."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest
from capture.test_formats import rows_for, write
from support.command import busplan
from support.costly import LOG
from support.formats import formats

from busplan.capture import formats as known
from busplan.capture import read
from busplan.capture.formats import Format
from busplan.capture.read import read_capture
from busplan.errors import CaptureError


@pytest.fixture(autouse=True)
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every capture is kept, in a folder of its own."""
    monkeypatch.setenv("BUSPLAN_CACHE_DIR", str(tmp_path / "cache"))
    monkeypatch.setattr(read, "KEPT_FROM", 0)


def line_of(path: Path, payload: str) -> None:
    path.write_text(LOG.replace("0102", payload))


@pytest.mark.skipif(sys.platform == "win32", reason="no inode there")
def test_other_content_of_equal_size_and_time_is_read_anew(tmp_path: Path) -> None:
    path = tmp_path / "x.log"
    body = LOG * 4000  # longer than what is looked at of head and tail
    middle = body.index("0102", len(body) // 2)
    path.write_text(body)
    assert read_capture(path).frames.payload[:2].tolist() == [1, 2]
    state = path.stat()
    for payload, put in (("0A0B", Path.write_text), ("0C0D", None)):
        changed = body[:middle] + payload + body[middle + 4 :]
        if put is None:
            other = tmp_path / "other"
            other.write_text(changed)
            other.replace(path)
        else:
            put(path, changed)
        os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
        assert path.stat().st_size == state.st_size
        assert path.stat().st_mtime_ns == state.st_mtime_ns
        assert bytes.fromhex(payload) in read_capture(path).frames.payload.tobytes()


def test_a_capture_that_changes_while_it_is_read_is_not_kept(tmp_path: Path) -> None:
    path = tmp_path / "x.log"
    path.write_text(LOG)
    grown = []

    def grow(*_: int) -> None:
        if not grown:
            grown.append(1)
            with path.open("a") as file:
                file.write("(2.000000) can0 010#0104\n")

    capture = read_capture(path, progress=grow)
    assert "changed while it was read" in " ".join(f.summary for f in capture.findings)
    again = read_capture(path)
    assert len(again.frames) == 3
    assert not [f for f in again.findings if f.code.startswith("capture-cache")]


@pytest.mark.parametrize("kind", formats())
@pytest.mark.parametrize("keep", [True, False])
def test_a_capture_that_goes_while_it_is_read(
    kind: Format, keep: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / f"x{kind.suffix}", rows_for(kind))
    whole = len(read_capture(path, cache=False).frames)
    copy = tmp_path / f"copy{kind.suffix}"

    def gone(at: object) -> None:
        copy.unlink(missing_ok=True)

    shutil.copy(path, copy)
    frames, told = whole, ""
    try:  # gone as soon as something has been read
        frames = len(read_capture(copy, cache=keep, progress=lambda *_: gone(0)).frames)
    except CaptureError as error:
        told = str(error)
    assert frames == whole or str(copy) in told

    shutil.copy(path, copy)
    recognise = known.recognise

    def recognised(at: Path, columns: str) -> Format:
        found = recognise(at, columns)
        gone(0)
        return found

    monkeypatch.setattr(read, "recognise", recognised)
    with pytest.raises(CaptureError, match="No such file"):
        read_capture(copy, cache=keep)


@pytest.mark.parametrize("name", ["measure", "survey", "cut"])
def test_a_capture_that_goes_is_one_error_of_the_command(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x.log"
    path.write_text(LOG)
    recognise = known.recognise

    def recognised(at: Path, columns: str) -> Format:
        found = recognise(at, columns)
        at.unlink()
        return found

    monkeypatch.setattr(read, "recognise", recognised)
    more = ("--to", "1", "--out", tmp_path / "y.log") if name == "cut" else ()
    run = busplan(name, path, *more)
    assert run.code == 3
    assert run.err.startswith("busplan: ")
    assert len(run.err.splitlines()) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="no such files there")
@pytest.mark.loose_files  # pipes and devices are put in the place of files that are mapped
@pytest.mark.parametrize("name", ["meta.json", "time_ns", "payload", "rows"])
@pytest.mark.parametrize("pipe", [True, False])
def test_pipes_and_devices_in_the_cache_folder_are_thrown_away(
    tmp_path: Path, name: str, pipe: bool
) -> None:
    path = tmp_path / "x.log"
    path.write_text(LOG)
    before = read_capture(path)
    (entry,) = (tmp_path / "cache" / "captures").iterdir()
    (entry / name).unlink()
    if pipe:
        os.mkfifo(entry / name)
    else:
        (entry / name).symlink_to("/dev/zero")
    assert busplan("cache").code == 0
    after = read_capture(path)
    assert after.frames.payload.tolist() == before.frames.payload.tolist()
    assert "capture-cache-damaged" in [f.code for f in after.findings]
