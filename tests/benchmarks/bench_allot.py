"""How few identifiers change, how close the bound is, and how long it takes.

    PYTHONPATH=.:tests python tests/benchmarks/bench_allot.py [--seconds 4]

One network of random identifiers a row (``tests/support/allot_plans.py``), three seeds each, every
identifier free to change: messages late or doubled before, identifiers changed, and the proven
bound. Each answer is applied and timed again; a message that is late then ends the run with 1.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path
from statistics import mean

from support.allot_plans import shuffled_plan

from busplan.allot.identifiers import allot_identifiers
from busplan.plan.change import set_identifiers
from busplan.plan.reader import change_plan, load_plan

LOADS = (0.45, 0.65, 0.80)
NODES = (4, 8, 12, 18)
MESSAGES = 8
SEEDS = (11, 12, 13)


def main() -> None:
    """Print one line for each size and load."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=4.0)
    seconds = parser.parse_args().seconds
    late_then = 0
    print("messages  load  late  changes  bound     s proven")
    for load in LOADS:
        for nodes in NODES:
            rows = []
            for seed in SEEDS:
                with tempfile.TemporaryDirectory() as folder:
                    plan = Path(folder, "plan.toml")
                    plan.write_text(
                        shuffled_plan(nodes=nodes, messages=MESSAGES, seed=seed, load=load), "utf-8"
                    )
                    begin = time.process_time()
                    found = allot_identifiers(
                        load_plan(plan),
                        lambda changes, plan=plan: (
                            change_plan(  # type: ignore[misc]
                                plan, [set_identifiers(changes)]
                            ).after
                        ),
                        seconds=seconds,
                        clock=time.process_time,
                    )
                    spent = time.process_time() - begin
                (answer,) = found.networks
                late_then += answer.wrong_after
                rows.append(
                    (
                        answer.wrong_before,
                        len(answer.changes),
                        answer.bound,
                        spent,
                        answer.proven,
                    )
                )
            late, changes, bound, spent, proven = (
                mean(column) for column in zip(*rows, strict=True)
            )
            print(
                f"{nodes * MESSAGES:>8} {load:>5} {late:>5.1f} {changes:>8.1f} {bound:>6.1f} "
                f"{spent:>5.1f} {round(proven * len(SEEDS))}/{len(SEEDS)}"
            )
    print(f"late after the changes: {late_then}")
    sys.exit(int(late_then > 0))


if __name__ == "__main__":
    main()
