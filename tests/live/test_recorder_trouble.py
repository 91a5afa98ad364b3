"""What goes wrong around a recording: odd frames, readers that die or hang, files that vanish."""

import shutil
import threading
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplan.capture.read import read_capture
from busplan.frames.table import FrameTable
from busplan.live import channel as channels
from busplan.live import log_writer
from busplan.live.in_order import InOrder
from busplan.live.interface_spec import InterfaceSpec
from busplan.live.journal import Journal, JournalKind
from busplan.live.log_writer import LogWriter
from busplan.live.odd_frames import why_odd
from busplan.live.recorder import Recorder

pytestmark = (
    pytest.mark.loose_files
)  # logs are removed while they are written: other systems refuse


NOW = 1_700_000_000.0


def message(**more: Any) -> can.Message:
    given: dict[str, Any] = {
        "arbitration_id": 0x123,
        "is_extended_id": False,
        "data": b"\x01",
        "timestamp": NOW,
    }
    return can.Message(**(given | more))


def changed(**more: Any) -> can.Message:
    """A message with what no constructor would take."""
    made = message()
    for name, value in more.items():
        setattr(made, name, value)
    return made


ODD = {
    "negative time": message(timestamp=-1.0),
    "no time": changed(timestamp=float("nan")),
    "time beyond all clocks": message(timestamp=1e300),
    "time is a text": changed(timestamp="soon"),
    "standard identifier of 17 bits": message(arbitration_id=0x12345),
    "identifier above 29 bits": message(arbitration_id=1 << 29, is_extended_id=True),
    "identifier above 32 bits": message(arbitration_id=1 << 40, is_extended_id=True),
    "negative identifier": changed(arbitration_id=-1),
    "no data": changed(data=None),
    "nine bytes": changed(data=bytearray(9)),
    "thirteen bytes of CAN FD": changed(data=bytearray(13), is_fd=True),
    "remote frame of length code 9": message(is_remote_frame=True, dlc=9, data=None),
    "remote frame of length code 15": message(is_remote_frame=True, dlc=15, data=None),
    "data is a text": changed(data="abc"),
    "flag is a text": changed(is_fd="yes"),
    "not a frame": SimpleNamespace(),
    "nothing like a frame": 7,
}


class Script:
    """A receiver that hands out what it is given, one after the other.

    ``over`` is called once it has been asked in vain for a fifth of a second.
    """

    silence = "scripted"

    def __init__(self, steps: Sequence[Any], over: Callable[[], None]) -> None:
        self._steps = list(steps)
        self._over = over
        self._vain = 0

    def receive(self, timeout_s: float) -> Any:
        if not self._steps:
            self._vain += 1
            if self._vain == 20:
                self._over()
            time.sleep(0.01)
            return None
        step = self._steps.pop(0)
        return step() if callable(step) else step

    def close(self) -> None:
        pass


def recorded(log: Path, scripts: Sequence[Sequence[Any]]) -> tuple[Any, Journal]:
    """Record from receivers that hand out these steps, until all have.

    One that is opened anew hands out one frame more.
    """
    names = [f"net{i}" for i in range(len(scripts))]
    specs = [InterfaceSpec(name, "virtual", name) for name in names]
    left = {name: [list(script)] for name, script in zip(names, scripts, strict=True)}

    stop, over = threading.Event(), dict.fromkeys(names, False)

    def ended(name: str) -> None:
        over[name] = True
        if all(over.values()):
            stop.set()

    def opener(spec: InterfaceSpec) -> Any:
        mine = left[spec.network]
        steps = mine.pop(0) if mine else [message(timestamp=NOW + 9)]
        return Script(steps, partial(ended, spec.network))

    journal = Journal(log.with_name(log.name + ".journal"))
    recorder = Recorder(specs, LogWriter(log), journal, opener=opener, tick_s=0.03)
    return recorder.run(stop, seconds=20.0), journal


@pytest.mark.parametrize("odd", ODD.values(), ids=ODD.keys())
def test_an_odd_frame_is_told(odd: Any) -> None:
    assert why_odd(odd)


def test_frames_that_a_log_can_hold_are_not_odd() -> None:
    assert why_odd(message()) is None
    assert why_odd(message(arbitration_id=0x1FFFFFFF, is_extended_id=True)) is None
    assert why_odd(message(is_remote_frame=True, dlc=8, data=None)) is None
    assert why_odd(message(is_fd=True, data=bytes(64))) is None
    assert why_odd(message(is_error_frame=True, arbitration_id=0x88, data=bytes(8))) is None


def test_odd_frames_are_set_aside_and_the_others_are_read_as_they_came(tmp_path: Path) -> None:
    good = [message(timestamp=NOW + i / 1000, data=bytes([i])) for i in range(40)]
    script = [
        step for i, one in enumerate(good) for step in (one, list(ODD.values())[i % len(ODD)])
    ]
    status, journal = recorded(tmp_path / "a.log", [script, good])
    assert [c.frames for c in status.channels] == [40, 40]
    assert [c.set_aside for c in status.channels] == [40, 0]
    assert not status.whole
    notes = [e for e in journal.entries if e["what"] == JournalKind.SET_ASIDE]
    assert sum(e["frames"] for e in notes) == 40
    assert {e["network"] for e in notes} == {"net0"}
    capture = read_capture(tmp_path / "a.log")
    assert len(capture.frames) == 80
    assert capture.findings == ()


def die() -> None:
    raise SystemExit  # ends a thread without a word


@pytest.mark.parametrize("way", ["raises", "dies", "hangs"])
def test_a_reader_that_is_lost_is_told_and_opened_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    monkeypatch.setattr(channels, "HANGS_AFTER_S", 0.4)
    monkeypatch.setattr(channels, "RETRY_S", 0.1)
    still = threading.Event()

    def fail() -> None:
        raise RuntimeError("driver bug")

    step: Callable[[], Any] = {"raises": fail, "dies": die, "hangs": lambda: still.wait(20)}[way]
    monkeypatch.setattr(threading, "excepthook", lambda _: None)
    status, journal = recorded(tmp_path / "a.log", [[message(), step]])
    still.set()
    kinds = [e["what"] for e in journal.entries]
    lost = JournalKind.INTERFACE_GONE if way == "raises" else JournalKind.READER_LOST
    assert kinds.index(lost) < kinds.index(JournalKind.INTERFACE_BACK)
    assert status.channels[0].frames == 2  # the second after opening anew
    assert not status.whole


def test_a_computer_that_stood_still_is_told_and_no_interface_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(channels, "HANGS_AFTER_S", 0.4)
    watch, asleep, awake = channels.Listener.watch, threading.Event(), threading.Event()

    def sleep() -> None:
        asleep.set()
        time.sleep(0.6)
        awake.set()

    def sleepy(listener: channels.Listener) -> None:
        if asleep.is_set():
            awake.wait(20)
        watch(listener)

    monkeypatch.setattr(channels.Listener, "watch", sleepy)
    steps = [message(), sleep, message(timestamp=NOW + 1)]
    status, journal = recorded(tmp_path / "a.log", [steps])
    kinds = [e["what"] for e in journal.entries if e["what"] != JournalKind.NOTHING_HEARD]
    assert kinds == [JournalKind.STARTED, JournalKind.STALLED, JournalKind.ENDED]
    assert status.channels[0].frames == 2


@pytest.mark.parametrize("removed", ["file", "folder"])
def test_a_log_that_is_removed_is_noticed_and_nothing_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, removed: str
) -> None:
    monkeypatch.setattr(log_writer, "CHECK_EVERY_NS", 20_000_000)
    folder = tmp_path / "run"
    folder.mkdir()
    monkeypatch.chdir(tmp_path)
    log = folder / "a.log"

    def remove() -> None:
        time.sleep(0.2)  # the frame before is on the disk by then
        log.unlink() if removed == "file" else shutil.rmtree(folder)

    steps = [message(), remove, message(timestamp=NOW + 1)]
    status, _ = recorded(log, [steps])
    (told,) = status.gone
    assert "was removed" in told
    assert "nothing lost" in told
    now = Path(status.files[-1])
    assert now.parent == (folder if removed == "file" else tmp_path)
    assert len(read_capture(now).frames) == status.written == 2
    assert not status.whole
    assert list(tmp_path.rglob("*.journal"))


def test_a_removed_log_is_noticed_within_a_second(tmp_path: Path) -> None:
    writer = LogWriter(tmp_path / "a.log")
    writer.open(0)
    writer.write(b"(1.0) a 1#\n", 10**9)
    (tmp_path / "a.log").unlink()
    writer.write(b"", 2 * 10**9)
    assert [g.was.name for g in writer.gone] == ["a.log"]
    writer.close()
    assert (tmp_path / "a-again-1.log").read_bytes() == b"(1.0) a 1#\n"


def test_a_file_moved_away_is_written_on(tmp_path: Path) -> None:
    writer = LogWriter(tmp_path / "a.log")
    writer.open(0)
    (tmp_path / "a.log").rename(tmp_path / "b.log")
    writer.write(b"(1.0) a 1#\n", 10**9)
    writer.close()
    assert (tmp_path / "b.log").read_bytes() == b"(1.0) a 1#\n"


def table(rows: Sequence[tuple[int, int]]) -> FrameTable:
    """Frames of two networks as (time, network); payload and length tell them apart."""
    return FrameTable.from_columns(
        ["a", "b"],
        np.array([t for t, _ in rows], np.int64),
        np.array([n for _, n in rows], np.uint16),
        np.arange(len(rows)),
        np.zeros(len(rows)),
        np.array([t % 9 for t, _ in rows]),
        np.frombuffer(b"".join(bytes([t % 251]) * (t % 9) for t, _ in rows), np.uint8),
    )


@settings(max_examples=60)
@given(st.lists(st.lists(st.integers(0, 99), max_size=8), max_size=8), st.booleans())
def test_frames_of_a_round_and_the_one_before_are_in_order_and_none_is_lost(
    rounds: list[list[int]], jumps: bool
) -> None:
    order = InOrder(1000)
    given, got = [], []
    for i, times in enumerate(rounds):
        # Each round reaches back into the one before; a clock that jumped goes far.
        rows = sorted((100 * i - t + 200 + (5000 if jumps and i == 3 else 0), t % 2) for t in times)
        given += rows
        out = order.add(table(rows))
        got += [(int(t), out.bytes_of(k)) for k, t in enumerate(out.time_ns)]
    out = order.rest(table([]))
    got += [(int(t), out.bytes_of(k)) for k, t in enumerate(out.time_ns)]
    assert sorted(got) == sorted((t, bytes([t % 251]) * (t % 9)) for t, _ in given)
    if not jumps and all(rounds):
        assert [t for t, _ in got] == sorted(t for t, _ in got)


def test_a_recording_of_two_networks_has_no_times_that_step_back(tmp_path: Path) -> None:
    # Both hear at once; the second interface hands out each third frame 20 ms late.
    def heard(late_s: float) -> can.Message:
        at = time.time()
        time.sleep(0.005 + late_s)
        return message(timestamp=at)

    scripts = [[partial(heard, lag * (i % 3 == 0)) for i in range(30)] for lag in (0.0, 0.02)]
    recorded(tmp_path / "a.log", scripts)
    capture = read_capture(tmp_path / "a.log")
    assert len(capture.frames) == 60
    assert "time-steps-back" not in {f.code for f in capture.findings}
