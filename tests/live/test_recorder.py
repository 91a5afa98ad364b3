"""Recording real software buses: everything arrives, nothing is sent, gaps are noted."""

import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import can
import pytest

from busplan.capture.read import read_capture
from busplan.errors import InterfaceError, UsageError
from busplan.live.interfaces import (
    InterfaceSpec,
    Receiver,
    open_receiver,
    open_sender,
    parse_interface,
)
from busplan.live.log_writer import LogWriter
from busplan.live.recorder import Journal, Recorder, RecordingStatus


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
    background = Background(Recorder(specs, LogWriter(log), Journal(None), tick_s=0.05))
    wait_for(log.exists)
    time.sleep(0.1)
    senders[0].send(
        can.Message(arbitration_id=5, is_extended_id=False, is_remote_frame=True, dlc=3)
    )
    senders[1].send(can.Message(arbitration_id=4, is_error_frame=True))
    wait_for(lambda: log.read_bytes().count(b"\n") == 2)
    status = background.end()
    assert [c.errors for c in status.channels] == [0, 1]


def test_a_buffer_that_ran_over_is_counted(
    tmp_path: Path, specs: list[InterfaceSpec], senders: list[can.BusABC]
) -> None:
    """As Linux reports it: error class 0x004, byte 1 bit 0 (``linux/can/error.h``, from memory)."""
    log = tmp_path / "a.log"
    journal = Journal(None)
    background = Background(Recorder(specs, LogWriter(log), journal, tick_s=0.05))
    wait_for(log.exists)
    time.sleep(0.1)
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


class Unplugged:
    """An interface that works, goes, cannot be opened for a while, and comes back."""

    def __init__(self, failures: int) -> None:
        self.failures = failures
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
            raise can.CanOperationError("the adapter has gone")
        time.sleep(0.005)
        return frame(self.received, timestamp=time.time())

    def shutdown(self) -> None:
        pass


def test_an_unplugged_adapter_is_opened_again_and_the_gap_is_noted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("busplan.live.recorder.RETRY_S", 0.05)
    adapter = Unplugged(failures=2)
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
    journal = Journal(None)
    log = tmp_path / "a.log"
    background = Background(Recorder(specs, LogWriter(log), journal, tick_s=0.05))
    wait_for(log.exists)
    time.sleep(0.1)
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


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("can0", "NETWORK=KIND:CHANNEL"),
        ("drive=can0", "NETWORK=KIND:CHANNEL"),
        ("drive=:can0", "NETWORK=KIND:CHANNEL"),
        ("drive=virtual:a,b", "not KEY=VALUE"),
    ],
)
def test_a_wrongly_written_interface_says_how_to_write_it(text: str, problem: str) -> None:
    with pytest.raises(UsageError, match=problem):
        parse_interface(text)


def test_interface_options_are_read_as_numbers_and_switches() -> None:
    spec = parse_interface("drive=slcan:/dev/ttyACM0,ttyBaudrate=115200,rtscts=true,note=a")
    assert spec.channel == "/dev/ttyACM0"
    assert spec.options == {"ttyBaudrate": 115200, "rtscts": True, "note": "a"}


def test_an_unknown_interface_kind_lists_the_known_ones() -> None:
    with pytest.raises(InterfaceError, match=r"known: .*socketcan.*virtual"):
        open_receiver(parse_interface("drive=nosuch:1"))


def test_a_receiver_has_no_way_to_send() -> None:
    receiver = open_receiver(parse_interface("drive=virtual:listen-only-test"))
    assert not [name for name in dir(receiver) if "send" in name]
    receiver.close()
    sender = open_sender(parse_interface("drive=virtual:listen-only-test"))
    sender.send(frame(1))
    sender.close()
