"""Exact wire bits: the compiled counter beside a numpy counter and the readable reference.

Run by hand: python tests/benchmarks/bench_wire.py
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.bulk_bits import bulk_bits
from support.random_frames import random_frames
from support.wire_reference import reference_bits

from busplan.frames.kinds import FD
from busplan.frames.table import FrameTable
from busplan.wire.exact import exact_bits
from busplan.wire.lengths import worst_table_bits


def rate(work: Callable[[FrameTable], object], table: FrameTable, runs: int = 3) -> float:
    """Frames a second, the best of several runs."""
    best = float("inf")
    for _ in range(runs):
        start = time.process_time()
        work(table)
        best = min(best, time.process_time() - start)
    return len(table) / best


def main() -> None:
    frames = random_frames(2_000_000, seed=1)
    exact_bits(frames.take(slice(0, 10)))
    fd = np.asarray(frames.flags & FD, bool)
    print("one core, processor time; random frames, 40 % CAN FD of every length, some remote")
    print(f"{'':32} {'M frames/s':>10} {'ratio':>10}")
    kinds = {
        "exact, mixed": frames,
        "exact, classical": frames.take(~fd),
        "exact, CAN FD": frames.take(fd),
    }
    base = rate(exact_bits, frames)
    for name, table in kinds.items():
        speed = rate(exact_bits, table)
        print(f"{name:32} {speed / 1e6:10.2f} {speed / base:10.2f}")
    others: dict[str, tuple[Callable[[FrameTable], object], int]] = {
        "worst case by length, mixed": (worst_table_bits, 2_000_000),
        "numpy, bit columns, mixed": (bulk_bits, 200_000),
        "readable reference, mixed": (reference_bits, 10_000),
    }
    for name, (work, n) in others.items():
        speed = rate(work, frames.take(slice(0, n)))
        print(f"{name:32} {speed / 1e6:10.3f} {speed / base:10.6f}")


if __name__ == "__main__":
    main()
