"""Reading and opening captures, side by side in one run.

    python tests/benchmarks/bench_capture.py [--seconds 3600] [--folder /tmp]

Makes a capture (10,000 frames a second; 3600 s are 36 million frames, 1.7 GB of text and as much
again for the kept copy), then times each opening in a process of its own.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from make_capture import make

SLOW_FRAMES = 200_000
"""Frames read with the slow reader."""

OPEN = """
import resource, sys, time
begin = time.perf_counter()
from busplan.capture.read import read_capture
import numpy as np
table = read_capture(sys.argv[1]).frames
print(f"  {time.perf_counter() - begin:.2f} s, {len(table):,} frames")
begin = time.perf_counter()
at = np.searchsorted(table.time_ns, table.origin_ns + table.span_ns // 3)
print(f"  seek {1e3 * (time.perf_counter() - begin):.2f} ms")
from busplan.decode.codec import decode_message
from busplan.definitions.model import Message, Signal
message = Message("M", 0x100, False, 8, (Signal("a", 8, 16, True), Signal("b", 24, 16, scale=0.1)))
rows = next(iter(table.groups.values()))
decode_message(table, rows[:10], message)
begin = time.perf_counter()
decode_message(table, rows, message)
print(f"  one message of {len(rows):,} frames decoded whole: {time.perf_counter() - begin:.3f} s")
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(f"  peak memory {peak:,.0f} MB, mapped pages included")
"""


def parse_rate(path: Path) -> float:
    """Frames a second of the parser alone, one core, warm."""
    from busplan.capture.textlog import _parse

    with path.open("rb") as file:
        data = file.read(1 << 24)
    text = np.frombuffer(data[: data.rfind(b"\n") + 1], np.uint8)
    best = float("inf")
    for _ in range(10):
        begin = time.perf_counter()
        frames = len(_parse(text).columns)
        best = min(best, time.perf_counter() - begin)
    return frames / best


def slow_rate(path: Path) -> float:
    """Frames a second of python-can's reader."""
    import can

    begin = time.perf_counter()
    frames = sum(1 for _ in zip(range(SLOW_FRAMES), can.LogReader(path), strict=False))
    return frames / (time.perf_counter() - begin)


def main() -> None:
    """Print everything."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=int, default=3600)
    parser.add_argument("--folder", type=Path, default=None)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        path = Path(name) / "big.log"
        frames = make(path, asked.seconds)
        print(f"{frames:,} frames, {path.stat().st_size:,} bytes")
        ours, theirs = parse_rate(path), slow_rate(path)
        print(f"text log, one core: {ours / 1e6:.1f} M frames/s")
        print(f"python-can:         {theirs / 1e6:.2f} M frames/s ({ours / theirs:.0f} times less)")
        environment = os.environ | {"BUSPLAN_CACHE_DIR": name}
        for label in ("first opening", "second opening"):
            print(label, flush=True)
            subprocess.run([sys.executable, "-c", OPEN, str(path)], env=environment, check=True)


if __name__ == "__main__":
    main()
