"""A capture that will not fit into memory is refused while little is read, with what would help."""

from pathlib import Path

import pytest
from support.command import busplan

from busplan.capture import memory, read, store
from busplan.capture.memory import BYTES_PER_FRAME, BYTES_PER_FRAME_KEPT, Foresight
from busplan.capture.read import read_capture
from busplan.errors import CaptureError

FRAMES = 240_000


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BUSPLAN_CACHE_DIR", str(tmp_path / "cache"))
    file = tmp_path / "a.log"
    head = "".join(f"(10000{i:02}.000000) can0 123#0011223344556677\n" for i in range(60))
    file.write_text(head * (FRAMES // 60))
    return file


def free(monkeypatch: pytest.MonkeyPatch, more: float) -> None:
    monkeypatch.setattr(memory, "free_bytes", lambda: int(memory.ALWAYS + more))


@pytest.mark.parametrize(("kept", "each"), [(False, BYTES_PER_FRAME), (True, BYTES_PER_FRAME_KEPT)])
def test_what_is_still_to_come_is_held_against_what_is_free(
    kept: bool, each: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    free(monkeypatch, 900 * each)
    Foresight(1000, kept=kept).check(100, 100)
    Foresight(1000, kept=kept).check(0, 0)
    Foresight(100, kept=kept).check(200, 1_000_000)  # more than the file holds: unpacked
    with pytest.raises(CaptureError, match="larger machine" if kept else "needs a fifth"):
        Foresight(1001, kept=kept).check(100, 100)


def test_it_is_asked_seldom(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    monkeypatch.setattr(memory, "free_bytes", lambda: asked.append(1) or 10**12)
    foresight = Foresight(10**9, kept=False)
    for done in range(1, 10_000):
        foresight.check(done, done)
    assert len(asked) == 14


def test_reading_is_refused_in_words(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    free(monkeypatch, 0.5 * FRAMES * BYTES_PER_FRAME)
    told = busplan("measure", log)
    assert (told.code, told.out) == (3, "")
    assert told.err.count("\n") == 1
    assert (
        "0.2 GB are free; a kept copy on the disk needs a fifth: leave out --no-cache" in told.err
    )
    free(monkeypatch, FRAMES * BYTES_PER_FRAME)
    assert len(read_capture(log).frames) == FRAMES


def test_a_kept_copy_needs_less(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(read, "KEPT_FROM", 0)
    free(monkeypatch, FRAMES * BYTES_PER_FRAME_KEPT)
    assert len(read_capture(log).frames) == FRAMES
    assert len(store.entries(store.cache_folder())) == 1
    with pytest.raises(CaptureError, match="memory"):
        read_capture(log, cache=False)
    free(monkeypatch, 0.5 * FRAMES * BYTES_PER_FRAME_KEPT)
    assert len(read_capture(log).frames) == FRAMES, "what is kept is mapped, not read"
    with pytest.raises(CaptureError, match="on a larger machine"):
        read_capture(log, offsets={"a.log": 1})
