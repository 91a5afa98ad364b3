"""Identifiers of a fleet: 12 networks, 1,492 messages, 134 of them late.

    PYTHONPATH=.:tests:tests/benchmarks python tests/benchmarks/bench_fleet.py [--seconds 4]

The made plan of ``fleet_plan.py``, every identifier free to change: changes, proven bound and
seconds of the processor for each thing wanted. Each network is searched for so many seconds of the
processor at most, one after the other. Each changed plan is loaded and timed again, and simulated
for 2 s; a message that is late then, a clash, or a response above its bound ends the run with 1.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from fleet_plan import fleet_plan

from busplan.allot.identifiers import Allotment, allot_identifiers
from busplan.allot.wants import parse_want
from busplan.plan.change import set_identifiers
from busplan.plan.reader import OpenPlan
from busplan.timing.gateways import vehicle_timing
from busplan.timing.simulation import simulate
from busplan.timing.simulation_feeds import feeds_of
from busplan.wire.lengths import worst_table_bits

WANTS = ("in-time", "one-error", "growth=1.25", "most-robust")
SPAN_NS = 2 * 10**9


def beaten(found: Allotment) -> int:
    """Responses of a simulated run of the changed plan that are above their bounds, and misses."""
    vehicle = found.after
    timing = vehicle_timing(vehicle)
    seen = simulate(
        list(vehicle.networks.values()), feeds_of(vehicle, SPAN_NS, seed=1), bits=worst_table_bits
    )
    wrong = sum(len(n.missed) for n in timing.networks.values())
    for i, feed in enumerate(seen.feeds):
        rows = seen.rows_of(i)
        bound = timing.by_label[feed.stream.label].response_ns
        wrong += bound is None or int(seen.response_ns[rows].max(initial=0)) > bound
    return wrong


def main() -> None:
    """Print one line a want."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=4.0)
    parser.add_argument("--want", action="append")
    args = parser.parse_args()
    bad = 0
    near: Allotment | None = None
    print("want          late  changes  bound  proven  parts  late then   s")
    with tempfile.TemporaryDirectory() as folder:
        plan = Path(folder, "fleet.toml")
        plan.write_text(fleet_plan(), "utf-8")
        opened = OpenPlan(plan)
        for text in args.want or WANTS:
            begin = time.process_time()
            found = allot_identifiers(
                opened.vehicle,
                lambda changes: opened.changed([set_identifiers(changes)]).after,
                want=parse_want(text),
                seconds=args.seconds,
                clock=time.process_time,
                near=near,
            )
            spent = time.process_time() - begin
            near = near or found
            late = sum(a.wrong_before for a in found.networks)
            then = sum(a.wrong_after for a in found.networks)
            proven = sum(a.proven for a in found.networks)
            parts = len({c.stream.node for c in found.changes})
            print(
                f"{text:<13} {late:>4} {len(found.changes):>8} {found.bound:>6} {proven:>4}/12 "
                f"{parts:>6} {then:>10} {spent:>5.0f}",
                flush=True,
            )
            bad += then + beaten(found)
    print(f"late, doubled or above their bounds after the changes: {bad}")
    sys.exit(int(bad > 0))


if __name__ == "__main__":
    main()
