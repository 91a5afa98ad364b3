"""How long planning commands take. By hand: ``python tests/benchmarks/bench_plan.py``.

Prints the best of five runs of whole commands on the demo plan, by the clock and in processor time
(which other work on the machine disturbs less), and the steps inside on a made plan of 6 networks,
120 nodes and 600 messages whose files name 45,600 signals to receive.
"""

import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TESTS))

from support.plans import dbc, message, signal, write_plan  # noqa: E402

from busplan.checks import run_checks  # noqa: E402
from busplan.plan.reader import load_plan  # noqa: E402

BOUGHT = TESTS.parent / "dbc_examples" / "as_bought.toml"


def best(run: Callable[[], object], times: int = 5) -> float:
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        taken.append(time.perf_counter() - start)
    return min(taken)


def show_command(*args: str) -> None:
    line = [sys.executable, "-m", "busplan", *args]
    spent = []

    def run() -> None:
        before = os.times()
        subprocess.run(line, capture_output=True, check=False)
        after = os.times()
        user = after.children_user - before.children_user
        spent.append(user + after.children_system - before.children_system)

    clock = best(run)
    print(f"busplan {args[0]:<8} {clock:6.2f} s, processor {min(spent):.2f} s")


def large_plan(folder: Path) -> Path:
    chance = random.Random(1)
    plan, files = "", {}
    for n in range(6):
        plan += f"[network.n{n}]\nbit_rate = 500_000\n"
        nodes = [f"E{n}_{k}" for k in range(20)]
        messages = []
        for m in range(100):
            sender = nodes[m % 20]
            to = ",".join(chance.sample([x for x in nodes if x != sender], 20 - 1))
            signals = (signal(f"S{n}_{m}_{k}", 16 * k, 16, to=to) for k in range(4))
            messages.append(message(0x100 + m, f"M{n}_{m}", sender, *signals))
        cycles = {0x100 + m: chance.choice([50, 100, 200, 1000]) for m in range(100)}
        files[f"net{n}"] = dbc(nodes, *messages, cycles=cycles)
        for node in nodes:
            plan += f'[part.{node}]\ndefinitions = "net{n}.dbc"\nsender = "{node}"\n'
            plan += f'[node.{node}]\npart = "{node}"\non = ["n{n}"]\n'
    return write_plan(folder, plan, **files)


def main() -> None:
    bought = str(BOUGHT)
    show_command("--help")
    show_command("check", bought)
    show_command("load", bought)
    show_command("whatif", bought, "--bit-rate", "body=250000")
    with tempfile.TemporaryDirectory() as name:
        path = large_plan(Path(name))
        vehicle = load_plan(path)
        print(f"{len(vehicle.streams)} messages, {len(vehicle.needs)} signals to receive")
        print(f"load_plan        {best(lambda: load_plan(path), 3):6.2f} s")
        run_checks(vehicle)
        print(f"run_checks       {best(lambda: run_checks(vehicle), 3):6.2f} s")


if __name__ == "__main__":
    main()
