"""Soak: six networks at 80 % load onto software buses, recorded by another process.

    python tests/benchmarks/bench_soak.py [--minutes 10] [--to udp_multicast]

Frames are made at the bit rates of the demo plan (invented), each with a running number, played in
real time, recorded by ``busplan record`` in a process of its own, and counted. Prints frames sent,
recorded and missing, and the recorder's processor time and memory.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from busplan.capture.read import read_capture
from busplan.frames.kinds import BRS, EXTENDED, FD
from busplan.frames.table import FrameTable
from busplan.live.playing import play, software_spec
from busplan.plan.reader import load_plan
from busplan.wire.lengths import duration_ns, nominal_bits

PLAN = Path(__file__).parents[2] / "dbc_examples" / "as_built.toml"
LOAD = 0.80


def traffic(seconds: float) -> FrameTable:
    """Evenly spaced frames on every network of the plan, 80 % of its time, numbered."""
    vehicle = load_plan(PLAN)
    times, network, identifier, flags, length, payload = [], [], [], [], [], []
    for number, net in enumerate(vehicle.networks.values()):
        size = 64 if net.fd else 8
        extended = net.name in ("pack", "charge")
        bits = nominal_bits(size, extended=extended, fd=net.fd, switched=net.fd)
        step = duration_ns(bits, net.bit_rate, net.data_bit_rate) / LOAD
        count = int(seconds * 1e9 / step)
        data = np.zeros((count, size), np.uint8)
        data[:, :4] = np.arange(count, dtype=">u4").view(np.uint8).reshape(-1, 4)
        times.append((np.arange(count) * step).astype(np.int64))
        network.append(np.full(count, number))
        identifier.append(np.full(count, 0x100 + number))
        flags.append(np.full(count, EXTENDED * extended | (FD | BRS) * net.fd))
        length.append(np.full(count, size))
        payload.append(data.ravel())
    return FrameTable.from_columns(
        tuple(vehicle.networks),
        *map(np.concatenate, (times, network, identifier, flags, length)),
        np.concatenate(payload),
    )


def usage(pid: int) -> tuple[float, float]:
    """Processor time [s] and resident memory [MB] of a process (Linux)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    ticks = int(fields[11]) + int(fields[12])
    status = Path(f"/proc/{pid}/status").read_text()
    resident = next(line for line in status.splitlines() if line.startswith("VmHWM"))
    return ticks / os.sysconf("SC_CLK_TCK"), int(resident.split()[1]) / 1024


def main() -> None:
    """Run the soak and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--to", default="udp_multicast")
    options = parser.parse_args()
    seconds = options.minutes * 60
    table = traffic(min(seconds, 60.0))
    rounds = max(1, round(seconds / 60.0)) if seconds > 60 else 1
    specs = {n: software_spec(n, options.to, i) for i, n in enumerate(table.networks)}
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "soak.log"
        interfaces = [part for spec in specs.values() for part in ("-i", spec.written)]
        recorder = subprocess.Popen(
            [sys.executable, "-m", "busplan", "record", str(log), "--json", *interfaces],
            stdout=subprocess.PIPE,
            text=True,
        )
        while not log.exists():
            time.sleep(0.1)
        time.sleep(2)
        cpu_before, _ = usage(recorder.pid)
        own_before = time.process_time()
        begin = time.monotonic()
        sent, latest = 0, 0.0
        for number in range(rounds):
            played = play(table, specs)
            sent += played.frames
            latest = max(latest, played.latest_s)
            print(f"round {number + 1} of {rounds}: {sent:,} frames sent", flush=True)
        took = time.monotonic() - begin
        time.sleep(1.5)
        cpu, memory = usage(recorder.pid)
        own = time.process_time() - own_before
        recorder.send_signal(signal.SIGINT)
        status = json.loads(recorder.communicate()[0])
        frames = read_capture(log).frames
    print(f"played      {sent:>12,} frames in {took:.1f} s ({sent / took:,.0f} frames/s)")
    print(f"recorded    {len(frames):>12,} frames, {status['dropped']} counted as dropped")
    print(f"missing     {sent - len(frames):>12,}")
    print(f"late        {latest * 1e3:>12.0f} ms at worst (player)")
    print(f"recorder    {(cpu - cpu_before) / took:>12.0%} of a core, {memory:.0f} MB at most")
    print(f"player      {own / took:>12.0%} of a core")


if __name__ == "__main__":
    main()
