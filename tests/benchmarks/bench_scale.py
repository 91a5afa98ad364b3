"""What planning costs and shows at scale. By hand: ``python tests/benchmarks/bench_scale.py``.

A made plan of 12 networks, 200 nodes and 1,500 messages with hundreds of mistakes: seconds by the
clock and of the processor, lines printed, and what the first screenful (24 lines) says.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TESTS))

from large_plan import write_large_plan  # noqa: E402

from busplan.plan.reader import load_plan  # noqa: E402

COMMANDS = (
    ("check",),
    ("check", "--code", "deadline-missed"),
    ("load",),
    ("timing",),
    ("timing", "--network", "section_02"),
    ("cable",),
    ("whatif", "--bit-rate", "section_00=250000"),
    ("whatif", "--move", "hydraulic_unit_050=section_07", "--out", "OUT"),
    ("simulate", "--seconds", "5"),
    ("sheets", "--to", "SHEETS", "--replace"),
)
SCREEN = 24


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        plan = write_large_plan(Path(folder))
        v = load_plan(plan)
        own = sum(s.via is None for s in v.streams)
        print(f"{len(v.networks)} networks, {len(v.nodes)} nodes, {own} messages, ", end="")
        print(f"{len(v.streams) - own} carried on, {len(v.needs)} needs\n")
        for command in COMMANDS:
            name, *more = command
            words = [
                {"OUT": f"{folder}/new.toml", "SHEETS": f"{folder}/sheets"}.get(w, w) for w in more
            ]
            line = [sys.executable, "-m", "busplan", name, str(plan), *words]
            before, start = os.times(), time.perf_counter()
            run = subprocess.run(line, capture_output=True, check=False, text=True)
            clock, after = time.perf_counter() - start, os.times()
            spent = after.children_user - before.children_user
            spent += after.children_system - before.children_system
            lines = run.stdout.splitlines()
            told = " ".join(command)
            print(f"{told:<62} {clock:5.1f} s, processor {spent:5.1f} s, {len(lines):>5} lines")
            if "-v" in sys.argv:
                print("\n".join(f"    {text}" for text in lines[:SCREEN]), "\n")


if __name__ == "__main__":
    main()
