"""Reading ASC text, side by side with python-can's reader on the same file, one core.

    python tests/benchmarks/bench_asc.py [--frames 1000000]

It makes the file itself.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import can
import numpy as np

from busplan.capture.asclog import _parse

HEAD = "date Mon May 4 08:00:00.000 2026\nbase hex  timestamps absolute\ninternal events logged\n"
SLOW_FRAMES = 100_000


def make(path: Path, frames: int) -> None:
    """8-byte frames of 50 identifiers on three channels (invented traffic)."""
    payload = np.random.default_rng(1).integers(0, 256, (frames, 8), np.uint8)
    with path.open("w") as file:
        file.write(HEAD)
        for k in range(frames):
            data = payload[k].tobytes().hex(" ").upper()
            file.write(f"{k / 1e4: 9.6f} {k % 3 + 1}  {0x100 + k % 50:<15X} Rx   d 8 {data}\n")


def main() -> None:
    """Print both rates."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=1_000_000)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "a.asc"
        make(path, asked.frames)
        text = np.frombuffer(path.read_bytes(), np.uint8)
        best = float("inf")
        for _ in range(5):
            begin = time.process_time()
            frames = len(_parse((-1, -1), text).columns)
            best = min(best, time.process_time() - begin)
        assert frames == asked.frames
        begin = time.process_time()
        slow = sum(1 for _ in zip(range(SLOW_FRAMES), can.ASCReader(path), strict=False))
        theirs = slow / (time.process_time() - begin)
    print(f"ASC, one core: {frames / best / 1e6:.1f} M frames/s")
    print(f"python-can:    {theirs / 1e6:.2f} M frames/s ({frames / best / theirs:.0f} times less)")


if __name__ == "__main__":
    main()
