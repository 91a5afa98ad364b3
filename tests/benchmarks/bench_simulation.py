"""The bus simulation: frames a second with everything it takes, beside its slow twin.

Run by hand: python tests/benchmarks/bench_simulation.py
"""

import random
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.slow_bus import slow_bus
from support.vehicles import MS, stream, vehicle

from busplan.plan.vehicle import Network, Vehicle
from busplan.timing.simulation import simulate
from busplan.timing.simulation_feeds import feeds_of, random_faults
from busplan.wire.lengths import nominal_table_bits
from busplan.wording import percent

SECOND = 1000 * MS


def busy_vehicle(networks: int, messages: int) -> Vehicle:
    """Networks at 500 kbit/s, loaded to about half, two of the nodes first-in-first-out."""
    choose = random.Random(1)
    streams = [
        stream(
            16 * i + choose.randrange(16),
            network=f"net{n}",
            node=f"n{i % 8}",
            name=f"M{i}",
            cycle_ms=choose.choice([10, 20, 20, 50, 50, 100, 100]) * messages / 40,
            jitter_ms=1,
        )
        for n in range(networks)
        for i in range(messages)
    ]
    nets = [Network(f"net{n}", 500_000) for n in range(networks)]
    return vehicle(streams, nets, fifo=["n0", "n1"])


def main() -> None:
    print(
        "one core, processor time; exact lengths, jitter, drift, two FIFO nodes, 5 faults a second"
    )
    print(
        f"{'networks x messages':22} {'frames':>10} {'load':>6} {'queue':>8} {'send':>8} "
        f"{'table':>8}  M frames/s in all"
    )
    base = 0.0
    for networks, messages, seconds in ((1, 40, 1), (1, 40, 1200), (5, 40, 300), (5, 200, 300)):
        van = busy_vehicle(networks, messages)
        nets = list(van.networks.values())
        span = seconds * SECOND
        t0 = time.process_time()
        feeds = feeds_of(van, span, drift_ppm=50)
        faults = {n: random_faults(n, 5, span) for n in van.networks}
        t1 = time.process_time()
        result = simulate(nets, feeds, faults=faults)
        t2 = time.process_time()
        frames = result.frames()
        t3 = time.process_time()
        base = len(frames) / (t3 - t0)
        if seconds == 1:
            continue  # loads the compiled kernels
        load = result.busy_ns.mean() / span
        print(
            f"{networks:3} x {messages:<16} {len(frames):>10,} {percent(load, 0):>6} "
            f"{t1 - t0:>7.2f}s "
            f"{t2 - t1:>7.2f}s {t3 - t2:>7.2f}s  {base / 1e6:.2f}"
        )
    van = busy_vehicle(1, 40)
    nets = list(van.networks.values())
    feeds = feeds_of(van, SECOND, drift_ppm=50)
    t0 = time.process_time()
    slow = len(slow_bus(nets, feeds, {}, None).frames) / (time.process_time() - t0)
    assert len(simulate(nets, feeds, bits=nominal_table_bits)) > 0
    print(f"slow twin: {slow / 1e6:.5f} M frames/s, ratio {base / slow:,.0f}")


if __name__ == "__main__":
    main()
