"""Response times of large networks: how long they take, compiled against plain Python.

Run by hand: ``python tests/benchmarks/bench_timing.py``. Networks of random messages, seeded.
"""

import random
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from support.vehicles import stream, vehicle

from busplan.plan.vehicle import Network
from busplan.timing import response
from busplan.timing.response import response_times
from busplan.timing.slack import network_slack


def crowd(n: int, load: float, fifo: int, rate: int = 1_000_000):
    """``n`` messages in 25 nodes, ``fifo`` of them first-in-first-out, at about this load."""
    rng = random.Random(n)
    frame_ms = 115e3 / rate
    streams = []
    for i, identifier in enumerate(rng.sample(range(0x800), n)):
        cycle = n * frame_ms / load * rng.choice([0.5, 1, 1, 2, 5])
        streams.append(
            stream(
                identifier,
                node=f"n{i % 25}",
                length=rng.randint(2, 8),
                cycle_ms=round(cycle, 1),
                jitter_ms=rng.choice([0, 0, 1]),
            )
        )
    queues = [f"n{i}" for i in range(fifo)]
    return vehicle(streams, [Network("a", rate)], fifo=queues)


def clock(work, times: int = 3) -> float:
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    response_times(crowd(100, 0.5, 2), "a")  # compile
    print(f"{'messages':>8} {'load':>6} {'fifo':>4} {'compiled':>10} {'python':>10} {'ratio':>6}")
    threshold = response.COMPILED_FROM
    for n, load, fifo in [
        (20, 0.5, 0),
        (40, 0.5, 0),
        (80, 0.5, 0),
        (160, 0.7, 0),
        (500, 0.5, 0),
        (500, 0.8, 0),
        (500, 0.95, 0),
        (500, 0.8, 5),
        (500, 0.4, 25),
    ]:
        v = crowd(n, load, fifo)
        times = []
        for limit in (0, 10**9):
            response.COMPILED_FROM = limit
            times.append(clock(lambda v=v: response_times(v, "a"), 1 if n > 200 else 3))
        fast, slow = times
        exact = response_times(v, "a").load
        print(f"{n:8} {exact:6.2f} {fifo:4} {fast:8.4f} s {slow:8.4f} s {slow / fast:6.1f}")
    response.COMPILED_FROM = threshold
    v = crowd(500, 0.6, 0)
    print(f"500 messages, all of the slack: {clock(lambda: network_slack(v, 'a'), 1):.3f} s")


if __name__ == "__main__":
    main()
