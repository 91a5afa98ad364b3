"""How fast messages of several frames are put together, and what a capture without any pays.

Run it by hand: ``python tests/benchmarks/bench_transport.py [FRAMES]`` (default 1,000,000). The
figures are processor time of one core, compiling left out; the slow twin reads the first 50,000
frames of the same traffic.
"""

import random
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.slow_transport import slow_iso15765, slow_j1939
from support.transport_traffic import Frame, broadcast, connection, segmented, table

from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import EXTENDED
from busplan.frames.table import FrameTable
from busplan.transport.iso15765 import Segmented
from busplan.transport.messages import Messages, put_together

ANSWER, ASK = 0x7E8, 0x7E0
TOLD = [Segmented(FrameKey("a", False, ANSWER))]


def lanes(n: int, rng: random.Random) -> list[Frame]:
    """Eight nodes at once: broadcasts and connections of 20 to 200 bytes, one frame in a ms."""
    running: list[list[Frame]] = [[] for _ in range(16)]
    out: list[Frame] = []
    while len(out) < n:
        lane = rng.randrange(16)
        if not running[lane]:
            data = rng.randbytes(rng.randrange(20, 200))
            running[lane] = (
                broadcast(lane, 0xFECA, data)
                if lane < 8
                else connection(lane, 0x56, 0xEF00, data, block=16)
            )
        out.append(running[lane].pop(0)._replace(time_ns=len(out) * 1_000_000))
    return out


def answers(n: int, rng: random.Random) -> list[Frame]:
    """Diagnostic answers of 10 to 200 bytes with their flow control."""
    out: list[Frame] = []
    while len(out) < n:
        parts = segmented(ANSWER, rng.randbytes(rng.randrange(10, 200)))
        for part in [parts[0], Frame(0, ASK, bytes([0x30, 0, 0])), *parts[1:]]:
            out.append(part._replace(time_ns=len(out) * 1_000_000))
    return out[:n]


def seconds(work: Callable[[], object]) -> float:
    """Processor time of the best of three."""
    best = float("inf")
    for _ in range(3):
        begin = time.process_time()
        work()
        best = min(best, time.process_time() - begin)
    return best


def show(name: str, frames: list[Frame], seen: FrameTable, told: list[Segmented]) -> None:
    """One line of figures."""
    seen.groups  # noqa: B018  # indexing is not what is measured
    put_together(seen, told=told)
    fast = seconds(lambda: put_together(seen, told=told))
    some = frames[:50_000]
    begin = time.process_time()
    if told:
        slow_iso15765(some, ANSWER, ASK)
    else:
        slow_j1939(some)
    slow = (time.process_time() - begin) / len(some) * len(frames)
    found = put_together(seen, told=told)
    size = 0 if found.joined is None else int(found.joined.length.sum())
    print(
        f"{name}: {len(frames):,} frames, {sum(len(p.messages) for p in found.parts):,} messages "
        f"of {size:,} bytes: {len(frames) / fast / 1e6:.1f} M frames/s, {slow / fast:.0f} x the "
        "slow twin"
    )


def main() -> None:
    """Print the figures."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    rng = random.Random(1)
    frames = lanes(n, rng)
    show("J1939", frames, table(frames), [])
    frames = answers(n, rng)
    show("ISO 15765-2", frames, table(frames, flags=0), TOLD)
    plain = FrameTable.from_columns(
        ["a"],
        np.arange(n) * 100_000,
        np.zeros(n),
        np.arange(n) % 200 + 0x18FF0000,
        np.full(n, EXTENDED),
        np.full(n, 8),
        np.zeros(8 * n, np.uint8),
    )
    plain.groups  # noqa: B018
    none = seconds(lambda: put_together(plain))
    groups = seconds(lambda: Messages(plain).groups)
    print(f"nothing to put together, {n:,} frames: {1e3 * (none + groups):.2f} ms")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
