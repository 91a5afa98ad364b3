"""The store where nothing that is open or mapped goes (``support/file_rules``)."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import pytest
from support import file_rules
from support.command import busplan

from busplan.capture import read, store
from busplan.capture.read import read_capture

pytestmark = pytest.mark.skipif(
    not file_rules.KNOWN and sys.platform != "win32", reason="nobody tells what is open here"
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BUSPLAN_CACHE_DIR", str(tmp_path / "cache"))
    monkeypatch.setattr(read, "KEPT_FROM", 0)
    return tmp_path / "cache" / "captures"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "a.log"
    path.write_text("".join(f"({i / 100:.6f}) can0 100#{i % 256:02X}\n" for i in range(1000)))
    return path


def fail(*_: object) -> None:
    raise AssertionError("read again")


def test_these_rules_hold_here(tmp_path: Path) -> None:
    inner = tmp_path / "folder"
    inner.mkdir()
    (inner / "column").write_bytes(bytes(4096))
    mapped = np.asarray(np.memmap(inner / "column", np.uint8, "r"))
    for refused in (
        lambda: inner.rename(tmp_path / "other"),
        lambda: (inner / "column").unlink(),
        lambda: os.remove(inner / "column"),  # noqa: PTH107
        lambda: (inner / "column").rename(inner / "other"),
    ):
        with pytest.raises(PermissionError):
            refused()
    (inner / "new").write_bytes(b"1")
    with pytest.raises(PermissionError):
        (inner / "new").replace(inner / "column")
    with pytest.raises(FileExistsError):
        (inner / "new").rename(inner / "column")
    assert not mapped.any()
    del mapped
    (inner / "column").unlink()
    inner.rename(tmp_path / "other")


def test_opened_twice_the_second_from_the_kept_copy_and_nothing_left_behind(
    folder: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = read_capture(log)
    assert not [f for f in first.findings if f.code.startswith("capture-cache")]
    (entry,) = folder.iterdir()
    monkeypatch.setattr(read, "_gather", fail)
    second = read_capture(log)
    assert len(first.frames) == len(second.frames) == 1000
    assert list(folder.iterdir()) == [entry]
    assert store.leftover_bytes(folder) == 0


def test_a_copy_in_use_stays_whole_and_goes_when_it_is_let_go(folder: Path, log: Path) -> None:
    capture = read_capture(log)
    kept = store.folder_bytes(folder)
    told = busplan("cache", "--clear")
    assert "0.0 MB freed" in told.out
    assert "stay" in told.out
    assert store.folder_bytes(folder) == kept
    assert len(store.entries(folder)) == 1
    del capture
    assert store.clear(folder) == kept
    assert list(folder.iterdir()) == []


def test_a_name_that_is_refused_is_told_and_leaves_nothing(
    folder: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(place: Path, name: Path) -> Path:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "rename", refused)
    monkeypatch.setattr(store, "_PAUSES_S", (0.0,))
    capture = read_capture(log)
    assert [f.code for f in capture.findings] == ["capture-cache-unusable"]
    assert "Permission denied" in capture.findings[0].summary
    assert list(folder.iterdir()) == []


def test_a_name_refused_for_a_moment_is_taken_then(
    folder: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rename, tries = Path.rename, []

    def scanned(place: Path, name: Path) -> Path:
        tries.append(name)
        if len(tries) == 1:
            raise PermissionError(13, "Permission denied")
        return rename(place, name)

    monkeypatch.setattr(Path, "rename", scanned)
    assert read_capture(log).findings == ()
    assert len(store.entries(folder)) == 1


def test_what_stopped_runs_left_is_counted(folder: Path, log: Path) -> None:
    left = folder / f"{'a' * 40}.x.part"
    left.mkdir(parents=True)
    (left / "time_ns").write_bytes(bytes(3_000_000))
    assert store.leftover_bytes(folder) == 3_000_000
    assert "3.0 MB more" in busplan("cache").out
    os.utime(left / "time_ns", (0, 0))
    os.utime(left, (0, 0))
    read_capture(log)
    assert store.leftover_bytes(folder) == 0
