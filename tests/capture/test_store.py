"""The store: the same frames again, made once, rebuilt when damaged, bounded, nothing half-made."""

from __future__ import annotations

import errno
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support.command import busplan

from busplan.capture import read, store
from busplan.capture.capture import Capture
from busplan.capture.read import read_capture
from busplan.errors import UsageError

TEXT = "".join(
    f"({1000 + i / 100:.6f}) can{i % 3} {0x100 + i % 5:03X}#{i % 256:02X}\n" for i in range(1000)
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BUSPLAN_CACHE_DIR", str(tmp_path / "cache"))
    monkeypatch.setattr(read, "KEPT_FROM", 0)
    return tmp_path / "cache" / "captures"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "a.log"
    path.write_text(TEXT + "wrong\n(999.5) can0 100#00\n")
    return path


def same(a: Capture, b: Capture) -> bool:
    names = ("time_ns", "network", "identifier", "flags", "length", "start", "payload")
    columns = all(np.array_equal(getattr(a.frames, n), getattr(b.frames, n)) for n in names)
    groups = a.frames.groups.keys() == b.frames.groups.keys() and all(
        np.array_equal(rows, b.frames.groups[key]) for key, rows in a.frames.groups.items()
    )
    rest = [replace(c, frames=a.frames) for c in (a, b)]
    return (
        columns
        and groups
        and a.frames.networks == b.frames.networks
        and a.frames.believable == b.frames.believable
        and rest[0].sources == rest[1].sources
        and rest[0].channels == rest[1].channels
        and rest[0].findings == rest[1].findings
    )


def fail(*_: object) -> None:
    raise AssertionError("read again")


def test_the_second_opening_gives_the_same_without_reading(
    folder: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = read_capture(log, cache=False)
    assert not folder.exists()
    first = read_capture(log)
    assert same(first, plain)
    assert {f.code for f in first.findings} == {"capture-entry-unreadable", "time-steps-back"}
    monkeypatch.setattr(read, "_gather", fail)
    assert same(read_capture(log), plain)
    renamed = read_capture(log, channels={"can1": "pack"})
    assert renamed.frames.networks == ("can0", "pack", "can2")


def test_a_changed_file_or_offset_is_read_anew(folder: Path, log: Path) -> None:
    read_capture(log)
    read_capture(log, offsets={"a.log": 5})
    assert len(store.entries(folder)) == 2
    state = log.stat()
    log.write_bytes(log.read_bytes()[:-3] + b"01\n")
    os.utime(log, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert read_capture(log).frames.payload[-1] == 1


def test_a_change_in_the_middle_is_seen_by_the_time_it_was_made(folder: Path, log: Path) -> None:
    """A file of the same length, head and tail as before is another one when its time says so."""
    line = "(1000.000000) can0 100#00\n"
    log.write_text(line * 10_000)  # 250 kB: head and tail cover 64 kB each
    assert not read_capture(log).frames.payload.any()
    state = log.stat()
    log.write_text(line * 5000 + line.replace("#00", "#01") + line * 4999)
    assert log.stat().st_size == state.st_size
    os.utime(log, ns=(state.st_atime_ns, state.st_mtime_ns + 1_000_000))
    assert read_capture(log).frames.payload.sum() == 1
    assert len(store.entries(folder)) == 2


@pytest.mark.loose_files
def test_any_damage_is_noticed_and_mended(folder: Path, log: Path) -> None:
    plain = read_capture(log)
    (entry,) = store.entries(folder)
    for file in sorted(p.name for p in entry.folder.iterdir()):
        path = entry.folder / file
        whole = path.read_bytes()
        for damage in (
            whole[:-1],
            b"",
            whole + b"\0",
            whole[: len(whole) // 2]
            + bytes([whole[len(whole) // 2] ^ 1])
            + whole[len(whole) // 2 + 1 :],
        ):
            path.write_bytes(damage)
            again = read_capture(log)
            codes = [f.code for f in again.findings]
            assert "capture-cache-damaged" in codes, file
            kept = tuple(f for f in again.findings if f.code != "capture-cache-damaged")
            assert same(replace(again, findings=kept), plain)
            assert path.read_bytes() == whole
    assert same(read_capture(log), plain)


def test_every_cut_and_every_changed_byte_of_a_kept_copy_is_noticed(
    folder: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log.write_text("".join(TEXT.splitlines(keepends=True)[:12]))
    read_capture(log)
    (entry,) = store.entries(folder)
    monkeypatch.setattr(store, "_remove", lambda place: None)
    for path in sorted(entry.folder.iterdir()):
        whole = path.read_bytes()
        step = 3 if path.name == "meta.json" else 1
        damaged = [whole[:at] for at in range(0, len(whole), step)]
        damaged += [
            whole[:at] + bytes([whole[at] ^ 1 << at % 8]) + whole[at + 1 :]
            for at in range(0, len(whole), 5)
        ]
        for content in damaged:
            path.write_bytes(content)
            with pytest.raises(store.DamagedError):
                store.load(folder, entry.folder.name)
        path.unlink()
        with pytest.raises(store.DamagedError):
            store.load(folder, entry.folder.name)
        path.write_bytes(whole)
    assert store.load(folder, entry.folder.name)


def test_an_interrupted_first_opening_leaves_nothing(folder: Path, log: Path) -> None:
    def interrupt(done: int, total: int, frames: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        read_capture(log, progress=interrupt)
    assert list(folder.iterdir()) == []


def test_a_folder_that_cannot_be_written_costs_only_time(
    folder: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder.parent.mkdir()
    folder.write_text("a file where the folder should be")
    capture = read_capture(log)
    assert len(capture.frames) == 1001
    assert "capture-cache-unusable" in {f.code for f in capture.findings}


def test_the_folder_is_bounded_and_the_longest_unused_goes_first(
    folder: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for offset in range(3):
        read_capture(log, offsets={"a.log": offset})
        (newest, *_) = store.entries(folder)
        os.utime(newest.folder / "meta.json", (offset, offset))
    size = store.entries(folder)[0].bytes
    monkeypatch.setenv("BUSPLAN_CACHE_GB", str(2.5 * size / 1e9))
    read_capture(log, offsets={"a.log": 9})
    kept = store.entries(folder)
    assert len(kept) == 2
    assert [e.used for e in kept][1] == 2


def test_the_command_shows_and_clears(folder: Path, log: Path) -> None:
    read_capture(log)
    shown = busplan("cache")
    assert shown.code == 0
    assert "a.log" in shown.out
    assert "1,001" in shown.out
    assert "freed" in busplan("cache", "--clear").out
    assert store.entries(folder) == []


def test_small_captures_are_not_kept(
    folder: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.undo()
    monkeypatch.setenv("BUSPLAN_CACHE_DIR", str(folder.parent))
    read_capture(log)
    assert not folder.exists()


@pytest.mark.loose_files
def test_a_full_disk_leaves_nothing_and_costs_only_time(
    folder: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(writer: store.StoreWriter, columns: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    def cannot_flush(file: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(store.StoreWriter, "append", full)
    monkeypatch.setattr(store.StoreWriter, "close", cannot_flush)
    capture = read_capture(log)
    assert len(capture.frames) == 1001
    (finding,) = [f for f in capture.findings if f.code == "capture-cache-unusable"]
    assert "No space left" in finding.summary
    assert list(folder.iterdir()) == []


def test_what_a_killed_run_left_goes_and_what_is_being_made_stays(folder: Path, log: Path) -> None:
    dead, alive = (folder / f"{digit * 40}.x.part" for digit in "ab")
    for part in (dead, alive):
        part.mkdir(parents=True)
        (part / "time_ns").write_bytes(b"12345678")
        os.utime(part, (0, 0))
    os.utime(dead / "time_ns", (0, 0))
    read_capture(log)
    assert not dead.exists()
    assert alive.exists()
    assert len(store.entries(folder)) == 1


def test_a_copy_larger_than_the_bound_alone_is_used_once_and_not_kept(
    folder: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = read_capture(log, cache=False)
    monkeypatch.setenv("BUSPLAN_CACHE_GB", "0.00001")
    capture = read_capture(log)
    assert same(capture, plain)
    del capture  # some systems keep it whole until here
    store.make_room(folder)
    assert list(folder.iterdir()) == []
    monkeypatch.setenv("BUSPLAN_CACHE_GB", "plenty")
    with pytest.raises(UsageError, match="BUSPLAN_CACHE_GB"):
        read_capture(log)


def test_nothing_of_the_users_own_is_ever_removed(folder: Path, log: Path) -> None:
    """The folder may be one where captures of the user lie: our entries have names of our own."""
    own = folder / "drive_of_may"
    own.mkdir(parents=True)
    (own / "a.log").write_text("mine")
    demo = folder.parent / "demo"
    for version in ("0.0.1", "mine"):
        (demo / version / ("seed-1" if version == "0.0.1" else "notes")).mkdir(parents=True)
    read_capture(log)
    (folder / ("c" * 40)).mkdir()  # a ruin of ours
    read_capture(log, offsets={"a.log": 1})
    assert not (folder / ("c" * 40)).exists()
    assert busplan("cache", "--clear").code == 0
    assert (own / "a.log").read_text() == "mine"
    assert [p.name for p in folder.iterdir()] == ["drive_of_may"]
    assert [p.name for p in demo.iterdir()] == ["mine"]


@pytest.mark.loose_files
def test_an_entry_that_vanishes_while_it_is_opened_is_no_damage(
    folder: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another run may make room at that moment."""
    plain = read_capture(log)
    check = store._check

    def vanish(place: Path, meta: dict[str, Any]) -> None:
        store.clear(folder)
        monkeypatch.setattr(store, "_check", check)
        raise FileNotFoundError

    monkeypatch.setattr(store, "_check", vanish)
    assert same(read_capture(log), plain)


def test_two_runs_at_once_share_one_copy(
    folder: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = read_capture(log, cache=False)
    gather = read._gather

    def overtaken(*arguments: Any, **named: Any) -> Any:
        monkeypatch.setattr(read, "_gather", gather)
        assert same(read_capture(log), plain)
        return gather(*arguments, **named)

    monkeypatch.setattr(read, "_gather", overtaken)
    assert same(read_capture(log), plain)
    assert len(list(folder.iterdir())) == 1
