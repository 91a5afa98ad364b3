"""What it takes to mend a plan whose mending is known, and how close the bound is.

    PYTHONPATH=.:tests python tests/benchmarks/bench_placing.py [--first 1] [--seeds 3]

Plans of ``tests/support/hidden_plans.py``: 12 networks, nodes displaced, offsets set wrongly, 40 %
of the parts speak one bit rate. ``hidden`` is the cost of undoing that. The changed plan is loaded
and checked; a fault in it, a dearer answer or a gap above 1 % ends the run with 1. Then three nodes
that cannot live together, planted among as many.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from support.allot_places import planted
from support.hidden_plans import hidden_plan

from busplan.allot.conflict import find_conflict
from busplan.allot.search import search
from busplan.allot.whole import Limits, propose
from busplan.findings import Weight
from busplan.plan.reader import OpenPlan
from busplan.wording import percent


def main() -> None:
    """Print one line for each plan."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=1, help="seed")
    parser.add_argument("--nodes", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=10.0, help="by the clock")
    parser.add_argument("--tight", type=float, default=1.0)
    parser.add_argument("--displaced", type=float, default=0.12)
    given = parser.parse_args()
    good = True
    gaps, spends = [], []
    print("seed  hidden   found   bound  gap %   load s  search s  cpu s  faults")
    for seed in range(given.first, given.first + given.seeds):
        with tempfile.TemporaryDirectory() as folder:
            hidden = hidden_plan(
                Path(folder),
                given.nodes,
                seed=seed,
                displaced=given.displaced,
                tight=given.tight,
            )
            plan = Path(folder, "plan.toml")
            plan.write_text(hidden.text, "utf-8")
            begin = time.perf_counter()
            opened = OpenPlan(plan)
            loaded, spent = time.perf_counter(), time.process_time()
            limits = Limits(given.seconds, time.monotonic)
            found = propose(opened.vehicle, opened.changed, others=False, limits=limits)
            end, spent = time.perf_counter(), time.process_time() - spent
        best = found.best
        faults = -1 if best is None else sum(f.weight is Weight.FAULT for f in best.findings)
        cost = float("inf") if best is None else best.cost
        gaps.append(found.gap if best else float("inf"))
        spends.append(spent)
        good &= faults == 0 and cost <= hidden.cost + 1e-9 and found.gap <= 0.01
        print(
            f"{seed:>4} {hidden.cost:>7.2f} {cost:>7.2f} {found.bound:>7.2f} "
            f"{100 * found.gap:>6.2f} {loaded - begin:>8.1f} {end - loaded:>9.1f} {spent:>6.1f} "
            f"{faults:>7}"
        )
    print(
        f"gap at most 1 %: {sum(g <= 0.01 for g in gaps)} of {len(gaps)}, largest "
        f"{percent(max(gaps), 2)}; proven cheapest {sum(g <= 1e-3 for g in gaps)}; processor "
        f"{sorted(spends)[len(spends) // 2]:.1f} s median, {max(spends):.1f} s longest"
    )
    question, alike = planted(given.nodes)
    begin = time.perf_counter()
    conflict = find_conflict(question, search(question).cuts, lambda: 60.0, lambda: False)
    good &= frozenset(conflict.nodes) == alike
    print(
        f"conflict of {len(alike)} planted: {conflict.nodes}, {time.perf_counter() - begin:.1f} s"
    )
    sys.exit(not good)


if __name__ == "__main__":
    main()
