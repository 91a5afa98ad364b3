"""Recording real software buses: everything arrives, nothing is sent, gaps are noted."""

import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import can
import pytest

from busplan.capture.read import read_capture
from busplan.errors import InterfaceError
from busplan.frames.kinds import ERROR, REMOTE
from busplan.live.interface_spec import InterfaceSpec, parse_interface
from busplan.live.interfaces import Receiver
from busplan.live.journal import REMEMBERED, Journal, JournalKind
from busplan.live.log_writer import LogWriter
from busplan.live.recorder import Recorder
from busplan.live.recording_status import RecordingStatus


class Background:
    """A recorder in a thread."""

    def __init__(self, recorder: Recorder) -> None:
        self.stop = threading.Event()
        self.result: list[RecordingStatus] = []
        self._thread = threading.Thread(
            target=lambda: self.result.append(recorder.run(self.stop)), daemon=True
        )
        self._thread.start()

    def end(self) -> RecordingStatus:
        self.stop.set()
        self._thread.join(10)
        return self.result[0]


def recording(specs: list[InterfaceSpec], log: Path) -> tuple[Background, Journal]:
    """A recorder that listens already, and its journal."""
    journal = Journal(None)
    background = Background(Recorder(specs, LogWriter(log), journal, tick_s=0.05))
    wait_for(log.exists)
    time.sleep(0.1)
    return background, journal


def wait_for(condition: object, seconds: float = 5.0) -> None:
    end = time.monotonic() + seconds
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.01)


@pytest.fixture
def specs(request: pytest.FixtureRequest) -> list[InterfaceSpec]:
    name = request.node.name
    return [
        InterfaceSpec("drive", "virtual", f"{name}-a", bit_rate=500_000),
        InterfaceSpec("pack", "virtual", f"{name}-b", bit_rate=500_000),
    ]


@pytest.fixture
def senders(specs: list[InterfaceSpec]) -> Iterator[list[can.BusABC]]:
    buses = [can.Bus(interface="virtual", channel=s.channel) for s in specs]
    yield buses
    for bus in buses:
        bus.shutdown()


def frame(number: int, **more: object) -> can.Message:
    return can.Message(
        arbitration_id=number % 0x700, is_extended_id=False, data=number.to_bytes(4, "big"), **more
    )


def test_every_frame_of_two_networks_is_in_the_log(
    tmp_path: Path, specs: list[InterfaceSpec], senders: list[can.BusABC]
) -> None:
    log = tmp_path / "a.log"
    recorder = Recorder(specs, LogWriter(log), Journal(tmp_path / "a.journal"), tick_s=0.05)
    background = Background(recorder)
    wait_for(log.exists)
    time.sleep(0.1)
    for number in range(500):
        senders[number % 2].send(frame(number))
    wait_for(lambda: log.read_bytes().count(b"\n") == 500)
    status = background.end()
    assert (status.written, status.dropped) == (500, 0)
    for channel in status.channels:  # figures over the whole recording
        rate = channel.frames / status.elapsed_s
        assert channel.frames_per_s == pytest.approx(rate, rel=0.3)
        # An 11-bit frame of 4 bytes: 79 to 97 bits with 3 bits of interframe space and stuffing.
        assert channel.load is not None
        assert 76 < channel.load * 500_000 / channel.frames_per_s < 98
    frames = read_capture(log).frames
    numbers = [int.from_bytes(frames.bytes_of(i), "big") for i in range(len(frames))]
    assert sorted(numbers) == list(range(500))
    networks = [frames.networks[n] for n in frames.network]
    assert all(name == ("drive", "pack")[n % 2] for n, name in zip(numbers, networks, strict=True))
    what = [json.loads(line)["what"] for line in (tmp_path / "a.journal").read_text().splitlines()]
    assert what == ["started", "ended"]


def test_a_remote_and_an_error_frame_are_recorded(
    tmp_path: Path, specs: list[InterfaceSpec], senders: list[can.BusABC]
) -> None:
    log = tmp_path / "a.log"
    background, _ = recording(specs, log)
    senders[0].send(
        can.Message(arbitration_id=5, is_extended_id=False, is_remote_frame=True, dlc=3)
    )
    senders[1].send(can.Message(arbitration_id=4, is_error_frame=True))
    wait_for(lambda: log.read_bytes().count(b"\n") == 2)
    status = background.end()
    assert [c.errors for c in status.channels] == [0, 1]
    frames = read_capture(log).frames
    kinds = {frames.networks[n]: int(f) for n, f in zip(frames.network, frames.flags, strict=True)}
    assert kinds == {"drive": REMOTE, "pack": ERROR}


def test_a_buffer_that_ran_over_is_counted(
    tmp_path: Path, specs: list[InterfaceSpec], senders: list[can.BusABC]
) -> None:
    """As Linux reports it: error class 0x004, byte 1 bit 0 (``linux/can/error.h``, from memory)."""
    log = tmp_path / "a.log"
    background, journal = recording(specs, log)
    for identifier, second in ((0x004, 0x01), (0x004, 0x04), (0x008, 0x01)):
        data = bytes([0, second, 0, 0, 0, 0, 0, 0])
        senders[1].send(can.Message(arbitration_id=identifier, is_error_frame=True, data=data))
    wait_for(lambda: log.read_bytes().count(b"\n") == 3)
    status = background.end()
    assert [c.overflows for c in status.channels] == [0, 1]
    assert [c.errors for c in status.channels] == [0, 3]
    assert {"network": "pack", "times": 1}.items() <= next(
        e for e in journal.entries if e["what"] == "overflow"
    ).items()


def test_a_controller_that_leaves_the_bus_is_told(
    tmp_path: Path, specs: list[InterfaceSpec], senders: list[can.BusABC]
) -> None:
    """Values: ``include/uapi/linux/can/error.h`` of the Linux kernel."""
    log = tmp_path / "a.log"
    background, journal = recording(specs, log)
    for identifier, data in (
        (0x204, bytes([0, 0x10, 0, 0, 0, 0, 5, 130])),
        (0x204, bytes([0, 0x10, 0, 0, 0, 0, 5, 131])),
        (0x040, bytes(8)),
    ):
        senders[1].send(can.Message(arbitration_id=identifier, is_error_frame=True, data=data))
        time.sleep(0.12)
    status = background.end()
    assert [c.controller for c in status.channels] == ["", "bus off"]
    told = [e["state"] for e in journal.entries if e["what"] == "controller"]
    assert told == ["error passive (sent 5, received 130)", "bus off"]


def test_the_journal_remembers_only_the_last_entries(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "a.journal")
    for number in range(REMEMBERED + 50):
        journal.note(JournalKind.INTERFACE_GONE, number=number)
    assert [e["number"] for e in journal.entries] == list(range(50, REMEMBERED + 50))
    assert (tmp_path / "a.journal").read_text().count("\n") == REMEMBERED + 50


def test_an_interface_that_brings_nothing_is_noted_once(
    specs: list[InterfaceSpec], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("busplan.live.recorder.NOTHING_S", 0.1)
    monkeypatch.setattr("busplan.live.recorder.LOSS_EVERY_S", 0.05)
    journal = Journal(None)
    Recorder(specs, None, journal, tick_s=0.05).run(threading.Event(), seconds=0.4)
    told = [e["network"] for e in journal.entries if e["what"] == "nothing heard"]
    assert told == ["drive", "pack"]


class Flood:
    """An interface whose driver reports one overflow after the other."""

    def recv(self, timeout: float) -> can.Message:
        time.sleep(0.001)
        data = bytes([0, 1, 0, 0, 0, 0, 0, 0])
        return can.Message(0.0, 0x004, is_error_frame=True, data=data)

    def shutdown(self) -> None:
        pass


def test_losses_are_noted_once_a_second_at_most() -> None:
    journal = Journal(None)
    spec = InterfaceSpec("drive", "virtual", "x")
    bus = Receiver(spec, Flood(), "test")  # type: ignore[arg-type]
    recorder = Recorder([spec], None, journal, opener=lambda _: bus, tick_s=0.02)
    status = recorder.run(threading.Event(), seconds=0.6)
    told = [e["times"] for e in journal.entries if e["what"] == "overflow"]
    assert len(told) <= 2
    assert sum(told) == status.channels[0].overflows > 20


def test_each_file_of_a_series_is_in_the_journal_and_nothing_is_lost_between(
    tmp_path: Path, specs: list[InterfaceSpec], senders: list[can.BusABC]
) -> None:
    writer = LogWriter(tmp_path / "run.log", rotate_bytes=2000)
    (tmp_path / "run-0003.log").write_text("somebody else's\n")
    journal = Journal(None)
    background = Background(Recorder(specs, writer, journal, tick_s=0.02))
    wait_for(lambda: writer.files)
    time.sleep(0.1)
    for number in range(400):
        senders[0].send(frame(number))
        time.sleep(0.0005)
    wait_for(lambda: writer.written_frames == 400)
    background.end()
    assert len(writer.files) > 3
    assert (tmp_path / "run-0003.log").read_text() == "somebody else's\n"
    told = [e.get("file") for e in journal.entries if e["what"] in ("started", "next file")]
    assert told == [p.name for p in writer.files]
    refused = [e["trouble"] for e in journal.entries if e["what"] == "no next file"]
    assert refused == ["run-0003.log: it exists already; going on in run-0002.log"]
    frames = read_capture(writer.files).frames
    assert [int.from_bytes(frames.bytes_of(i), "big") for i in range(400)] == list(range(400))


class Unplugged:
    """An interface that works, goes, cannot be opened for a while, and comes back."""

    def __init__(self, failures: int, error: Exception) -> None:
        self.failures = failures
        self.error = error
        self.opened = 0
        self.received = 0

    def open(self, spec: InterfaceSpec) -> Receiver:
        self.opened += 1
        if 1 < self.opened <= 1 + self.failures:
            raise InterfaceError(f"{spec}: cannot be opened: no such device")
        return Receiver(spec, self, "test")  # type: ignore[arg-type]

    def recv(self, timeout: float) -> can.Message:
        self.received += 1
        if self.received == 3:
            raise self.error
        time.sleep(0.005)
        return frame(self.received, timestamp=time.time())

    def shutdown(self) -> None:
        pass


@pytest.mark.parametrize(
    "error", [can.CanOperationError("the adapter has gone"), TypeError("a driver's slip")]
)
def test_an_unplugged_adapter_is_opened_again_and_the_gap_is_noted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    monkeypatch.setattr("busplan.live.channel.RETRY_S", 0.05)
    adapter = Unplugged(failures=2, error=error)
    journal = Journal(None)
    spec = InterfaceSpec("drive", "virtual", "x")
    background = Background(
        Recorder([spec], LogWriter(tmp_path / "a.log"), journal, opener=adapter.open, tick_s=0.05)
    )
    wait_for(lambda: adapter.received > 20)
    status = background.end()
    assert status.written > 15
    assert [e["what"] for e in journal.entries] == [
        "started",
        "interface gone",
        "interface back",
        "ended",
    ]
    assert journal.entries[2]["gap_s"] >= 0.1


def test_an_interface_that_cannot_be_opened_at_the_start_is_one_clear_error(tmp_path: Path) -> None:
    spec = parse_interface("drive=socketcan:nowhere7")
    with pytest.raises(InterfaceError, match=r"drive=socketcan:nowhere7: cannot be opened"):
        Recorder([spec], LogWriter(tmp_path / "a.log"), Journal(None)).run(threading.Event())
    assert not (tmp_path / "a.log").exists()


def test_a_clock_that_jumps_is_noted_and_loses_nothing(
    tmp_path: Path,
    specs: list[InterfaceSpec],
    senders: list[can.BusABC],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shift = [0]
    real, real_ns = time.time, time.time_ns
    monkeypatch.setattr(time, "time_ns", lambda: real_ns() + shift[0] * 10**9)
    monkeypatch.setattr(time, "time", lambda: real() + shift[0])
    log = tmp_path / "a.log"
    background, journal = recording(specs, log)
    for number in range(100):
        if number == 50:
            wait_for(lambda: log.read_bytes().count(b"\n") == 50)
            shift[0] = -3600
        senders[0].send(frame(number))
    wait_for(lambda: log.read_bytes().count(b"\n") == 100)
    background.end()
    jumps = [e["seconds"] for e in journal.entries if e["what"] == "clock jumped"]
    assert jumps == [pytest.approx(-3600, abs=1)]
    times = read_capture(log).frames.time_ns
    assert times[99] < times[0]
