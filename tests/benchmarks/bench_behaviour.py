"""Twenty behaviours over an hour of 36 million frames: time on one core, and memory.

    python tests/benchmarks/bench_behaviour.py big.log

``big.log`` is what make_capture.py writes; opening it is not timed. The behaviours use every
operator of the room on signals of 5 to 100 ms on all five networks.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from make_capture import write_plan
from measuring import best, largest_size, memory_of

from busplan.behaviour.judge import judge_behaviours
from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.plan.reader import load_plan


def _signal(network: int, number: int, name: str) -> str:
    return f"n{network}/board_{network}/State{number}/{name}"


def behaviours() -> str:
    """Twenty tables."""
    tables = []
    for n in range(4):
        fast, slow = n % 6 + 1, 15 + n
        temperature = f"Temperature{fast}"
        tables += [
            # Kelvin against a constant, then a reaction on another network.
            f'becomes = {{ signal = "{_signal(n, fast, "Counter")}", above = 200, for_s = 0.1 }}\n'
            f'require = {{ signal = "{_signal(n + 1, slow, "Counter")}", above = 100 }}\n'
            "within_s = 5",
            f'while = {{ signal = "{_signal(n, fast, "Distance")}", below = 30000 }}\n'
            f'require = {{ any = [{{ signal = "{_signal(n, fast, temperature)}", at_most = 120 }}, '
            f'{{ signal = "{_signal(n + 1, fast, temperature)}", at_least = 0 }}] }}',
            f'always = {{ signal = "{_signal(n, fast, "Distance")}", '
            f'follows = "{_signal(n + 1, fast, "Distance")}", tolerance = 40, delay_s = 0.2 }}',
            f'becomes = {{ message = "n{n}/board_{n}/State{fast}", silent_s = 0.1 }}\n'
            f'never = {{ signal = "{_signal(n, slow, "Counter")}", between = [10, 20] }}\n'
            "within_s = 2",
            f'always = {{ signal = "{_signal(n, fast, "Counter")}", '
            f'counts_as = "{_signal(n + 1, fast, "Counter")}", tolerance = 3 }}',
        ]
    return "\n".join(f'[[behaviour]]\nname = "b{i}"\n{t}\n' for i, t in enumerate(tables))


def main(log: Path) -> None:
    with TemporaryDirectory() as folder:
        plan = write_plan(Path(folder))
        plan.write_text(plan.read_text("utf-8") + behaviours(), "utf-8")
        vehicle = load_plan(plan)
        capture = apply_plan(read_capture([log]), vehicle)
        judge_behaviours(capture.frames, vehicle, vehicle.behaviours[:5])  # compiles
        print(f"{len(capture.frames):,} frames, {len(vehicle.behaviours)} behaviours")
        begin = time.perf_counter()
        spent = best(lambda: judge_behaviours(capture.frames, vehicle), times=1)
        print(f"{spent:.1f} s of processor, {time.perf_counter() - begin:.1f} s by the clock")
        memory = memory_of(lambda: judge_behaviours(capture.frames, vehicle))
        print(f"{memory:.0f} MB beyond what was there, {largest_size():.0f} MB in all")
        print(judge_behaviours(capture.frames, vehicle).headline)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
