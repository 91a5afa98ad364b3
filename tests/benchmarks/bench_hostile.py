"""Processor time and memory of input that was made to hang busplan or to eat the machine.

    PYTHONPATH=tests python tests/benchmarks/bench_hostile.py [--quick] [NAME...]

Each case (``tests/support/costly.py``) is one call in a process of its own, ended after two
minutes of processor time, or half an hour of waiting. Exit code 1 when a case takes more than its
bound of time or memory, or ends otherwise than a command ends.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

from support.costly import CASES

MOST_S, MOST_MB = 30.0, 1_500
"""Bars: processor time and memory of any case."""
MOST_PROCESSOR_S, PATIENCE_S = 120, 1800.0


def limit() -> None:
    """What a case may take before the system ends it."""
    resource.setrlimit(resource.RLIMIT_AS, (6 << 30, 6 << 30))
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_PROCESSOR_S, MOST_PROCESSOR_S))


def run(name: str, *, quick: bool) -> tuple[str, float, float, str]:
    """The size, processor time [s], memory [MB] and how the case ended."""
    case, small, large = CASES[name]
    size = small if quick else large
    with tempfile.TemporaryDirectory() as place:
        call = case(Path(place), size)
        process = subprocess.Popen(
            [sys.executable, "-m", "busplan", *call],
            cwd=place,
            env=os.environ | {"BUSPLAN_CACHE_DIR": f"{place}/cache", "PYTHONPATH": str(Path.cwd())},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            preexec_fn=limit,
            text=True,
        )
        try:
            out, err = process.communicate(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            out, err = process.communicate()
        usage = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent, used = usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1e3
    traceback = "Traceback" in err
    code = process.returncode
    last = (err.strip() or out.strip() or "nothing said").splitlines()[-1]
    ended = (
        "TRACEBACK" if traceback else f"exit {code}" if code in (0, 1, 2, 3) else f"KILLED {code}"
    )
    return f"{size:,}", spent, used, f"{ended}: {last[:90]}"


def main() -> None:
    """Print one line a case; a child process each, so that its memory is its own."""
    words = sys.argv[1:]
    if words[:1] == ["--one"]:
        size, spent, used, ended = run(words[1], quick="--quick" in words)
        print(f"{words[1]:<30} {size:>12} {spent:8.1f} s {used:8,.0f} MB  {ended}")
        bad = spent > MOST_S or used > MOST_MB or not ended.startswith("exit")
        sys.exit(int(bad))
    quick = ["--quick"] if "--quick" in words else []
    wanted = [w for w in words if w != "--quick"] or list(CASES)
    over = 0
    for name in wanted:
        over += subprocess.run([sys.executable, __file__, "--one", name, *quick]).returncode
    print(f"bars: {MOST_S:g} s and {MOST_MB:,} MB each; {over} of {len(wanted)} over or broken")
    sys.exit(int(bool(over)))


if __name__ == "__main__":
    main()
