"""What the screens cost: CPU while replaying, key to screen, seeking. Run by hand:

    python tests/benchmarks/bench_screens.py [--rows 500]

Prints, for each screen at three sizes, the CPU of replaying all six demo networks at x1 and the
time of a key by the test pilot (which adds its own waiting, so it is an upper bound), the message
table with many rows at 10 Hz, and snapshots at random moments.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import statistics
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from busplan.replay.replay import Replay
from busplan.screens.app import ReplayApp
from busplan.screens.memory import Layout

SIZES = ((80, 24), (120, 35), (200, 60))
SCREENS = ("pack", "networks", "messages", "findings", "shop")
SECONDS = 2.5


def drive() -> Replay:
    """The demo's drive with all six networks."""
    from busplan.demo.captures import cached_capture
    from busplan.demo.files import plan_file
    from busplan.screens.opening import open_replay

    return open_replay(cached_capture("drive", seed=1), plan_file("as_built"))


def many(rows: int, seconds: float) -> Replay:
    """A pack with about so many messages, each with four values."""
    from support.van import make_replay

    return make_replay([[16] * 8] * max(rows // 34, 1), seconds, sensors=2)


def cpu_seconds() -> float:
    times = os.times()
    return times.user + times.system


async def play(replay: Replay, screen: str, size: tuple[int, int]) -> tuple[float, float]:
    """CPU share while playing, and the median time of a key."""
    app = ReplayApp(replay, judge=None, layout=Layout(screen=screen), start_ns=120_000_000_000)
    async with app.run_test(size=size) as pilot:
        await pilot.pause(0.3)
        app.clock.play()
        # Drawing goes to the headless driver; what a terminal would be sent is rendered too.
        await asyncio.sleep(0.5)
        begin, cpu = time.perf_counter(), cpu_seconds()
        await asyncio.sleep(SECONDS)
        share = (cpu_seconds() - cpu) / (time.perf_counter() - begin)
        taken = []
        for key in ["right_square_bracket", "left_square_bracket"] * 10:
            start = time.perf_counter()
            await pilot.press(key)
            taken.append(time.perf_counter() - start)
            await asyncio.sleep(0.05)
    return share, statistics.median(taken)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=500)
    options = parser.parse_args()
    replay = drive()
    print(f"drive: {len(replay.table)} frames, {len(replay.lines.lines)} identifiers")
    print(f"{'screen':<12}{'size':>9}{'CPU at x1':>11}{'key to screen':>15}")
    for screen in SCREENS:
        for size in SIZES:
            share, key = asyncio.run(play(replay, screen, size))
            print(f"{screen:<12}{size[0]:>5}x{size[1]:<3}{share:>11.1%}{key * 1e3:>12.1f} ms")
    table = many(options.rows, 150.0)
    for size in SIZES:
        share, _ = asyncio.run(play(table, "messages", size))
        print(f"{len(table.lines.lines)} rows  {size[0]:>5}x{size[1]:<3}{share:>11.1%}")
    moments = np.random.default_rng(1).integers(0, replay.span_ns, 200)
    taken = []
    for t_ns in moments.tolist():
        start = time.perf_counter()
        replay.snapshot(t_ns)
        taken.append(time.perf_counter() - start)
    print(
        f"snapshot at a random moment: median {statistics.median(taken) * 1e3:.1f} ms, "
        f"worst {max(taken) * 1e3:.1f} ms"
    )


if __name__ == "__main__":
    main()
