"""``busplan record`` as a real process on a real software bus."""

import json
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import can
import pytest
from typer.testing import CliRunner

from busplan.capture.read import read_capture
from busplan.cli.app import app
from busplan.live.playing import software_spec

GROUP = "239.74.163.2"


@pytest.fixture
def bus() -> Iterator[can.BusABC]:
    port = random.randint(20_000, 60_000)
    with can.Bus(interface="udp_multicast", channel=GROUP, port=port, hop_limit=0) as sender:
        sender.port = port  # type: ignore[attr-defined]
        yield sender


def start(bus: can.BusABC, log: Path, *more: str, **kwargs: Any) -> subprocess.Popen[str]:
    interface = f"drive=udp_multicast:{GROUP},port={bus.port},hop_limit=0"  # type: ignore[attr-defined]
    process = subprocess.Popen(
        [sys.executable, "-m", "busplan", "record", str(log), "-i", interface, "--json", *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **kwargs,
    )
    end = time.monotonic() + 40  # the first run compiles
    while not log.with_name(log.name + ".journal").exists():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < end
        time.sleep(0.02)
    return process


def send(bus: can.BusABC, first: int, count: int) -> None:
    for number in range(first, first + count):
        bus.send(
            can.Message(arbitration_id=0x123, is_extended_id=False, data=number.to_bytes(4, "big"))
        )
        time.sleep(0.0005)


def numbers(log: Path) -> list[int]:
    frames = read_capture(log).frames
    return [int.from_bytes(frames.bytes_of(i), "big") for i in range(len(frames))]


def test_a_killed_recorder_loses_at_most_the_last_second(bus: can.BusABC, tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    process = start(bus, log)
    send(bus, 0, 300)
    time.sleep(1.0)
    send(bus, 300, 50)
    process.kill()
    process.communicate()
    seen = numbers(log)
    assert seen[:300] == list(range(300))
    assert seen == sorted(set(seen))


@pytest.mark.parametrize("way", [signal.SIGINT, signal.SIGHUP])
def test_ctrl_c_and_a_closed_terminal_end_in_good_order_with_every_frame_and_none_sent(
    bus: can.BusABC, tmp_path: Path, way: signal.Signals
) -> None:
    log = tmp_path / "a.log"
    process = start(bus, log)
    send(bus, 0, 200)
    time.sleep(0.3)
    process.send_signal(way)
    out, err = process.communicate(timeout=10)
    assert process.returncode == 0, err
    assert "High voltage can kill" in err
    assert json.loads(out)["written"] == 200
    assert numbers(log) == list(range(200))
    journal = log.with_name("a.log.journal").read_text().splitlines()
    assert [json.loads(line)["what"] for line in journal] == ["started", "ended"]
    heard = []
    while (message := bus.recv(0.2)) is not None:
        heard.append(int.from_bytes(message.data, "big"))
    assert heard == list(range(200))  # multicast brings back our own frames, and nothing else came


def _limit_file_size() -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_FSIZE, (8192, 8192))
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[tuple[Path, dict[str, object], str]]:
    """A folder that holds 8 KiB, how to start a process on it, and how the system says "full".

    A real small file system where one may be mounted, else a limit on the size of a file.
    """
    command = ["mount", "-t", "tmpfs", "-o", "size=8k", "tmpfs", str(tmp_path)]
    if shutil.which("mount") and subprocess.run(command, capture_output=True).returncode == 0:
        yield tmp_path, {}, "No space left"
        subprocess.run(["umount", "-l", str(tmp_path)], check=True)
    else:
        yield tmp_path, {"preexec_fn": _limit_file_size}, "too large"


def test_a_disk_that_takes_no_more_is_told_and_the_log_stays_readable(
    bus: can.BusABC, small_disk: tuple[Path, dict[str, object], str]
) -> None:
    folder, how, words = small_disk
    log = folder / "a.log"
    process = start(bus, log, **how)
    send(bus, 0, 400)
    time.sleep(0.5)
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=10)
    assert process.returncode == 1, err
    status = json.loads(out)
    assert words in status["trouble"]
    assert status["written"] + status["dropped"] == 400
    assert status["written"] > 20
    assert numbers(log) == list(range(status["written"]))


def test_a_simulated_plan_played_onto_software_buses_is_recorded_whole(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    plan = Path(__file__).parents[2] / "dbc_examples" / "as_built.toml"
    group = f"239.74.163.{random.randint(3, 250)}"  # of our own, so that test runs keep apart
    specs = [software_spec(n, f"udp_multicast:{group}", i) for n, i in (("charge", 2), ("pack", 1))]
    command = [sys.executable, "-m", "busplan"]
    recorder = subprocess.Popen(
        [*command, "record", str(log), *(p for s in specs for p in ("-i", s.written)), "--json"],
        stdout=subprocess.PIPE,
        text=True,
    )
    end = time.monotonic() + 40
    while not log.with_name(log.name + ".journal").exists():
        assert time.monotonic() < end
        time.sleep(0.02)
    networks = ("--network", "charge", "--network", "pack")
    player = subprocess.run(
        [
            *command,
            "simulate",
            str(plan),
            "--seconds",
            "0.4",
            *networks,
            "--to",
            f"udp_multicast:{group}",
            "--json",
        ],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert player.returncode == 0, player.stderr
    assert f"listen with -i charge=udp_multicast:{group},port=43115,hop_limit=0" in player.stderr
    assert "payloads are made up" in player.stderr
    sent = sum(n["frames"] for n in json.loads(player.stdout)["networks"])
    time.sleep(0.6)
    recorder.send_signal(signal.SIGINT)
    out, _ = recorder.communicate(timeout=60)
    assert json.loads(out)["written"] == sent
    assert set(read_capture(log).frames.networks) == {"charge", "pack"}


def test_a_recording_in_which_nothing_came_says_what_to_measure(tmp_path: Path) -> None:
    call = [
        "record",
        str(tmp_path / "a.log"),
        "-i",
        "pack=virtual:nobody-sends",
        "--seconds",
        "0.2",
    ]
    result = CliRunner().invoke(app, call)
    assert result.exit_code == 0
    assert result.stdout.startswith("0 frames in ")
    assert "busplan bench --wiring" in result.stderr
