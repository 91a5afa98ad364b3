"""Soak: networks at 80 % load onto software buses, recorded and watched by other processes.

    PYTHONPATH=tests python tests/benchmarks/bench_soak.py [--minutes 10] [--networks 3] [--alone]

Frames are made at the bit rates of the demo plan (invented), each with a running number, played in
real time, recorded by ``busplan record`` in a process of its own, and counted. Beside it runs
``busplan live --browser`` with a headless Chromium on its findings, and a small sender on one of
the networks is killed and started again; how soon the page tells is measured. ``--alone`` leaves
browser and sender out. Prints frames sent, recorded and missing, processor time and memory.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyte
from support.browser import Browser, missing
from support.terminal import PRIVATE

from busplan.capture.read import read_capture
from busplan.frames.kinds import BRS, EXTENDED, FD
from busplan.frames.table import FrameTable
from busplan.live.playing import GROUP, play, software_spec
from busplan.plan.reader import load_plan
from busplan.wire.lengths import duration_ns, nominal_bits
from busplan.wording import percent

PLAN = Path(__file__).parents[2] / "dbc_examples" / "as_built.toml"
LOAD = 0.80


def traffic(seconds: float, networks: int) -> FrameTable:
    """Evenly spaced frames on the first networks of the plan, 80 % of its time, numbered."""
    vehicle = load_plan(PLAN)
    times, network, identifier, flags, length, payload = [], [], [], [], [], []
    played = list(vehicle.networks.values())[:networks]
    for number, net in enumerate(played):
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
        tuple(net.name for net in played),
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


SENDER = """
import sys, time, can
kind, group, port = "udp_multicast", sys.argv[1], int(sys.argv[2])
with can.Bus(interface=kind, channel=group, port=port, hop_limit=0) as bus:
    for n in range(10**9):
        for number in (0x18FF50E5, 0x18FF51E5):
            bus.send(can.Message(arbitration_id=number, data=bytes([n % 256] * 8)))
        if not n:
            print("on", flush=True)
        time.sleep(0.1)
"""
"""The charger of the demo plan, as far as its rate goes: two messages every 100 ms."""
ON_CHARGE = "charge"


class Page:
    """What the browser shows of ``busplan live``, followed character by character."""

    def __init__(self, browser: Browser) -> None:
        self._browser = browser
        columns, lines = browser.run("return window.cells")
        self._screen = pyte.Screen(columns, lines)
        self._stream = pyte.ByteStream(self._screen)

    def text(self) -> str:
        """What it shows now."""
        new = "const all = window.received; window.received = ''; return all;"
        received = self._browser.run(new).encode("latin-1")
        self._stream.feed(PRIVATE.sub(b"", received))
        return "\n".join(line.rstrip() for line in self._screen.display)

    def silent(self) -> bool:
        """Whether it says that the sender is silent now: since a moment on, not to another."""
        now = r"charger sent nothing.* on(, \d+ times in all.*)?$"
        return bool(re.search(now, self.text(), re.MULTILINE))


def until(true: Callable[[], object], seconds: float) -> float | None:
    """How long it takes to come true [s]; ``None`` when it does not."""
    begin = time.monotonic()
    while time.monotonic() - begin < seconds:
        if true():
            return time.monotonic() - begin
        time.sleep(0.05)
    return None


class Watched:
    """``busplan live --browser`` with a browser on it, and a sender that is killed meanwhile."""

    def __init__(self, folder: Path, interfaces: list[str], port: int) -> None:
        at = 8_700 + os.getpid() % 200
        self.live = subprocess.Popen(
            [
                *(sys.executable, "-m", "busplan", "live", "--plan", str(PLAN), *interfaces),
                *("--browser", "--port", str(at)),
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        self.port = port
        self.told: list[float | None] = []
        self.found: list[float | None] = []
        self._sender = self._start()
        self.browser = Browser(folder)
        time.sleep(5)
        self.browser.open(f"http://127.0.0.1:{at}")
        until(lambda: self.browser.run("return window.cells"), 60)
        self.page = Page(self.browser)
        until(lambda: "licensed people" in self.page.text(), 60)
        self.browser.press("5")
        until(lambda: "findings" in self.page.text(), 30)

    def _start(self) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [sys.executable, "-c", SENDER, GROUP, str(self.port)], stdout=subprocess.PIPE
        )
        assert process.stdout is not None
        process.stdout.readline()
        return process

    def kill_once(self) -> None:
        """Kill the sender, wait until the page tells, start it again, wait until it tells that."""
        self._sender.kill()
        self._sender.wait()
        self.told.append(until(self.page.silent, 20))
        time.sleep(3)
        self._sender = self._start()
        self.found.append(until(lambda: not self.page.silent(), 20))

    def processes(self) -> list[int]:
        """The processes of the server's session."""
        found = []
        for stat in Path("/proc").glob("[0-9]*/stat"):
            try:
                session = stat.read_text().rpartition(") ")[2].split()[3]
            except OSError:
                continue
            if session == str(self.live.pid):
                found.append(int(stat.parent.name))
        return found

    def end(self) -> None:
        """Stop the sender, the browser and the server."""
        self._sender.kill()
        self._sender.wait()
        self.browser.__exit__(None, None, None)
        os.killpg(self.live.pid, signal.SIGINT)
        self.live.wait(30)


def seconds_of(told: list[float | None]) -> str:
    """Figures of how soon something was told."""
    came = [t for t in told if t is not None]
    if not came:
        return f"never in {len(told)} tries"
    middle, worst = statistics.median(came), max(came)
    return f"{middle:.2f} s in the middle, {worst:.2f} s at worst, {len(came)} of {len(told)} times"


def main() -> None:
    """Run the soak and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--networks", type=int, default=3)
    parser.add_argument("--alone", action="store_true")
    parser.add_argument("--kills", type=int, default=5)
    options = parser.parse_args()
    if not options.alone and missing():
        sys.exit(f"{missing()}: use --alone")
    seconds = options.minutes * 60
    table = traffic(min(seconds, 60.0), options.networks)
    rounds = max(1, round(seconds / 60.0)) if seconds > 60 else 1
    specs = {n: software_spec(n, "udp_multicast", i) for i, n in enumerate(table.networks)}
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
        watched = None
        if not options.alone:
            port = int(specs[ON_CHARGE].options["port"])
            watched = Watched(Path(folder) / "profile", interfaces, port)
        cpu_before, _ = usage(recorder.pid)
        own_before = time.process_time()
        begin = time.monotonic()

        def kill() -> None:
            for number in range(options.kills):
                due = begin + seconds * (number + 0.5) / options.kills
                time.sleep(max(0.0, due - time.monotonic()))
                assert watched is not None
                watched.kill_once()

        killer = threading.Thread(target=kill if watched else lambda: None)
        killer.start()
        sent, latest = 0, 0.0
        for number in range(rounds):
            played = play(table, specs)
            sent += played.frames
            latest = max(latest, played.latest_s)
            print(f"round {number + 1} of {rounds}: {sent:,} frames sent", flush=True)
        took = time.monotonic() - begin
        killer.join()
        live = [usage(pid) for pid in watched.processes()] if watched else []
        if watched:
            watched.end()
        time.sleep(1.5)
        cpu, memory = usage(recorder.pid)
        own = time.process_time() - own_before
        recorder.send_signal(signal.SIGINT)
        status = json.loads(recorder.communicate()[0])
        frames = read_capture(log).frames
        recorded = int(np.isin(frames.identifier, 0x100 + np.arange(options.networks)).sum())
    print(f"played      {sent:>12,} frames in {took:.1f} s ({sent / took:,.0f} frames/s)")
    print(f"recorded    {recorded:>12,} frames, {status['dropped']} counted as dropped")
    print(f"missing     {sent - recorded:>12,}")
    print(f"late        {latest * 1e3:>12.0f} ms at worst (player)")
    print(
        f"recorder    {percent((cpu - cpu_before) / took, 0):>12} of a core, "
        f"{memory:.0f} MB at most"
    )
    print(f"player      {percent(own / took, 0):>12} of a core, reading the page included")
    if watched:
        mb = max(m for _, m in live)
        print(
            f"live        {percent(sum(c for c, _ in live) / took, 0):>12} of a core, "
            f"{mb:.0f} MB at most"
        )
        print(f"killed      told after {seconds_of(watched.told)}")
        print(f"started     found after {seconds_of(watched.found)}")


if __name__ == "__main__":
    main()
