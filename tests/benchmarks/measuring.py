"""What the benchmarks of captures and decoding share: one core, best time, peak memory.

Each contestant runs in a process of its own, tied to one core and one thread. Peak memory is what
the process's largest resident size (VmHWM, set back just before) exceeds its resident size before
the job by: whoever allocated it, Python, numpy, a C library or a mapped file.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

ONE_THREAD = dict.fromkeys(
    (
        "NUMBA_NUM_THREADS",
        "OMP_NUM_THREADS",
        "OPENBLAS_NUM_THREADS",
        "MKL_NUM_THREADS",
        "ARROW_IO_THREADS",
    ),
    "1",
)


def best(job: Callable[[], object], times: int = 3) -> float:
    """Least processor time of this process [s]."""
    spent = []
    for _ in range(times):
        begin = time.process_time()
        job()
        spent.append(time.process_time() - begin)
    return min(spent)


def memory_of(job: Callable[[], object]) -> float:
    """Peak memory that ``job`` and its result take beyond what was there before [MB]."""
    Path("/proc/self/clear_refs").write_text("5")
    before = _kilobytes("VmRSS")
    kept = job()
    taken = _kilobytes("VmHWM") - before
    del kept
    return taken / 1e3


def _kilobytes(name: str) -> int:
    found = re.search(rf"{name}:\s+(\d+) kB", Path("/proc/self/status").read_text())
    assert found
    return int(found[1])


def largest_size() -> float:
    """The largest resident size of this process so far, mapped pages included [MB]."""
    return _kilobytes("VmHWM") / 1e3


def in_own_process(script: str, arguments: Sequence[str | Path], *, one_core: bool = True) -> Any:
    """The JSON that ``script ARGUMENTS`` prints; ``one_core`` also means one thread."""
    cores = os.sched_getaffinity(0)
    chosen = {min(cores)} if one_core else cores
    done = subprocess.run(
        [sys.executable, "-W", "ignore", script, *map(str, arguments)],
        env=os.environ | (ONE_THREAD if one_core else {}),
        stdout=subprocess.PIPE,
        check=True,
        preexec_fn=lambda: os.sched_setaffinity(0, chosen),
    )
    return json.loads(done.stdout.splitlines()[-1])


def rows_printed(head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """An aligned table, the first column to the left."""
    widths = [max(len(r[c]) for r in (head, *rows)) for c in range(len(head))]
    for row in (head, *rows):
        cells = [
            t.rjust(w) if c else t.ljust(w)
            for c, (t, w) in enumerate(zip(row, widths, strict=True))
        ]
        print("  ".join(cells))
