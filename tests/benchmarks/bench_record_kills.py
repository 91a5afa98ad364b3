"""A recording killed again and again: what is missing at the end of each log.

Run by hand: ``python tests/benchmarks/bench_record_kills.py [--quick]``. Each round starts
``busplan record`` on a software bus, sends numbered frames at 1,000 a second, kills the process at
a random moment and reads the log. The bar: the frames in the log are the first ones without a gap,
and the last of them was sent less than 1 s before the kill.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import can

from busplan.capture.read import read_capture

GROUP = "239.74.163.2"
ROUNDS = 20
BAR_S = 1.0


def one_round(folder: Path, choose: random.Random) -> float:
    """How old the last frame on disk was at the kill [s]; raises when frames before it miss."""
    port = choose.randint(20_000, 60_000)
    log = folder / "run.log"
    interface = f"drive=udp_multicast:{GROUP},port={port},hop_limit=0"
    command = [sys.executable, "-m", "busplan", "record", str(log), "-i", interface]
    with can.Bus(interface="udp_multicast", channel=GROUP, port=port, hop_limit=0) as bus:
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        while not log.with_name("run.log.journal").exists():
            time.sleep(0.02)
        time.sleep(0.3)
        sent: list[float] = []
        end = time.monotonic() + choose.uniform(1.0, 3.0)
        while time.monotonic() < end:
            data = len(sent).to_bytes(4, "big")
            sent.append(time.monotonic())
            bus.send(can.Message(arbitration_id=0x123, is_extended_id=False, data=data))
            time.sleep(0.001)
        process.kill()
        killed = time.monotonic()
        process.wait()
    frames = read_capture(log).frames
    numbers = [int.from_bytes(frames.bytes_of(i), "big") for i in range(len(frames))]
    if numbers != list(range(len(numbers))):
        raise SystemExit("frames are missing or out of order before the end of the log")
    log.unlink()
    log.with_name("run.log.journal").unlink()
    return killed - sent[len(numbers) - 1]


def main() -> None:
    """Print the age of the last frame on disk at each kill, and the worst against the bar."""
    rounds = 4 if "--quick" in sys.argv else ROUNDS
    choose = random.Random(1)
    with tempfile.TemporaryDirectory() as folder:
        ages = [one_round(Path(folder), choose) for _ in range(rounds)]
    for number, age in enumerate(ages, 1):
        print(f"kill {number:2}: last frame on disk {age * 1e3:5.0f} ms old, none missing before")
    print(f"worst {max(ages):.3f} s of {BAR_S} s: {'holds' if max(ages) < BAR_S else 'FAILS'}")


if __name__ == "__main__":
    main()
