"""What send offsets bring, and that no simulation with random phases beats their bound.

    PYTHONPATH=.:tests python tests/benchmarks/bench_offsets.py [--sets 12] [--runs 17]

Made sets of 60 messages of 8 nodes at 500 kbit/s, loads 0.40 to 0.75, every node at the offsets
that ``busplan allot --offsets`` proposes: the longest and the median response without and with
them, and simulations of 5 s with every frame at its longest, each node at a random phase. A
response above its bound, or a bound that differs at equal offsets, ends the run with 1. Seeds are
fixed.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from dataclasses import replace
from statistics import mean, median

from support.vehicles import stream, vehicle

from busplan.allot.offsets import propose_offsets
from busplan.plan.vehicle import Network, Vehicle
from busplan.timing.response import response_times
from busplan.timing.simulation import simulate
from busplan.timing.simulation_feeds import feeds_of
from busplan.wire.lengths import worst_table_bits

LOADS = (0.40, 0.50, 0.60, 0.75)
PERIODS_MS = (10, 20, 50, 100, 200, 500, 1000)
SPAN_NS = 5 * 10**9


def made(seed: int, load: float) -> Vehicle:
    """A set whose worst-case load is about ``load``."""
    choose = random.Random(seed)
    periods = [choose.choice(PERIODS_MS) for _ in range(60)]
    while sum(0.27 / p for p in periods) > load:
        fastest = periods.index(min(periods))
        periods[fastest] = PERIODS_MS[min(PERIODS_MS.index(periods[fastest]) + 1, 6)]
    while sum(0.27 / p for p in periods) < load - 0.02:
        slowest = periods.index(max(periods))
        periods[slowest] = PERIODS_MS[max(PERIODS_MS.index(periods[slowest]) - 1, 0)]
    numbers = choose.sample(range(0x10, 0x7E0), 60)
    streams = [
        stream(number, node=f"n{choose.randrange(8)}", cycle_ms=period)
        for number, period in zip(numbers, periods, strict=True)
    ]
    return vehicle(streams, [Network("a", 500_000)])


def bounds(van: Vehicle) -> dict[str, int]:
    """Response times [ns] by label."""
    return {r.stream.label: r.response_ns or 0 for r in response_times(van, "a").responses}


def at_offsets(van: Vehicle, offsets: dict[str, int]) -> Vehicle:
    """The set with these offsets [ns]."""
    streams = (replace(s, offset_ns=offsets[s.label]) for s in van.streams)
    return replace(van, streams=tuple(streams))


def main() -> None:
    """Print one line a set."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=12)
    parser.add_argument("--runs", type=int, default=17)
    args = parser.parse_args()
    begin = time.process_time()
    beaten = checked = unequal = 0
    closest = 0.0
    shorter, medians = [], []
    print("load  longest ms without, with  median ms without, with  closest to its bound")
    for number in range(args.sets):
        van = made(number, LOADS[number % len(LOADS)])
        plain = bounds(van)
        unequal += bounds(at_offsets(van, dict.fromkeys(plain, 0))) != plain
        changes = propose_offsets(van, list(van.nodes)).changes
        spread = at_offsets(van, {c.stream.label: c.becomes_ns for c in changes})
        found = bounds(spread)
        here = 0.0
        for run in range(args.runs):
            feeds = feeds_of(spread, SPAN_NS, seed=1000 * number + run)
            seen = simulate([spread.networks["a"]], feeds, bits=worst_table_bits)
            for i, feed in enumerate(feeds):
                longest = int(seen.response_ns[seen.rows_of(i)].max())
                beaten += longest > found[feed.stream.label]
                checked += 1
                here = max(here, longest / found[feed.stream.label])
        closest = max(closest, here)
        shorter.append(max(plain.values()) / max(found.values()))
        medians.append(median(plain.values()) / median(found.values()))
        print(
            f"{response_times(van, 'a').load:.2f} {max(plain.values()) / 1e6:>13.2f} "
            f"{max(found.values()) / 1e6:>8.2f} {median(plain.values()) / 1e6:>15.2f} "
            f"{median(found.values()) / 1e6:>8.2f} {here:>14.4f}"
        )
    print(f"longest response {min(shorter):.1f} to {max(shorter):.1f} times shorter, mean", end=" ")
    print(f"{mean(shorter):.1f}; median message {mean(medians):.1f} times")
    runs = args.sets * args.runs
    print(
        f"{runs} simulations: {beaten} of {checked} bounds beaten, closest {closest:.4f}; ", end=""
    )
    print(
        f"{unequal} sets differ at equal offsets; {time.process_time() - begin:.0f} s of processor"
    )
    sys.exit(int(beaten + unequal > 0))


if __name__ == "__main__":
    main()
