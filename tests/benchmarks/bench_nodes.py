"""Nodes of known truth as processes on a software bus: is each verdict and its reason right?

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_nodes.py [SECONDS] [NAME...]``.

The nodes are those of ``support.node_kinds`` and of ``truth.nodes``, :data:`AT_ONCE` at a time. A
process that the machine lets wait sends late: then the node really is irregular, and a verdict that
says so is no wrong one. So each process tells how late its frames were at worst, and a miss of one
that was later than half its own quickest cycle counts as the machine's. What is wrong with some
nodes begins late, so that a shorter time than :data:`truth.nodes.SECONDS` tells them wrongly.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat
from pathlib import Path

from support.bench_nodes import BENCH
from support.live_nodes import ALL, test_of
from support.node_process import Starter, lateness_ms
from truth.nodes import SECONDS

from busplan.bench.live_run import run_live
from busplan.live.interface_spec import InterfaceSpec
from busplan.live.interfaces import open_sender
from busplan.live.playing import GROUP

TESTS = Path(__file__).parents[1]
AT_ONCE = 4
"""Nodes side by side: each has a process that sends and one that listens, mostly waiting."""


def tried(name: str, seconds: float) -> tuple[str, str]:
    """Whether one node was told right (``right``, ``late``, ``WRONG``), and the line about it."""
    paths = os.pathsep.join([str(TESTS), str(TESTS.parent)])
    node = ALL[name]
    port = 43_900 + list(ALL).index(name)
    process = subprocess.Popen(
        [sys.executable, "-m", "support.node_process", name, str(port), str(seconds + 6)],
        env={**os.environ, "PYTHONPATH": paths},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    with tempfile.TemporaryDirectory() as folder:
        try:
            record = run_live(
                test_of(node, Path(folder)),
                InterfaceSpec(BENCH, "udp_multicast", GROUP, {"port": port, "hop_limit": 0}),
                seconds=node.sends_for(seconds),
                folder=Path(folder),
                guide=Starter(process),
                sender=open_sender if node.answers else None,
            )
        finally:
            late = lateness_ms(process)
    codes = [f.code for f in record.report.findings]
    verdict = record.report.verdict.value
    excused = late > node.may_be_late_ms()
    word = "right" if node.told_right(verdict, codes) else "late" if excused else "WRONG"
    serious = dict.fromkeys(f.code for f in record.report.findings if f.weight > 0)
    told = ", ".join(serious) or "-"
    return word, f"{word:6}{name:56}{verdict:12}{late:6.1f} ms late  {told}"


def main(seconds: float, names: list[str]) -> None:
    """Run the nodes and print what was said of each."""
    counts: Counter[str] = Counter()
    with ProcessPoolExecutor(AT_ONCE) as pool:
        for word, line in pool.map(tried, names or ALL, repeat(seconds)):
            counts[word] += 1
            print(line, flush=True)
    print(
        f"{counts['right']} of {counts.total()} right, {counts['WRONG']} wrong, {counts['late']} "
        "not judged: their process sent later than half their quickest cycle"
    )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS, sys.argv[2:])
