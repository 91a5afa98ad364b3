"""Nodes of known truth as processes on a software bus: is each verdict and its reason right?

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_nodes.py [SECONDS] [NAME...]``.

The nodes are those of ``support.node_kinds`` and of ``truth.nodes``. A process that the machine
lets wait sends late: then the node really is irregular, and a verdict that says so is no wrong one.
So each process tells how late its frames were at worst, and a miss beyond :data:`LATE_MS` counts as
the machine's.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from support.bench_nodes import BENCH
from support.live_nodes import ALL, test_of
from support.node_process import Starter, lateness_ms

from busplan.bench.live_run import run_live
from busplan.live.interface_spec import InterfaceSpec
from busplan.live.interfaces import open_sender
from busplan.live.playing import GROUP

TESTS = Path(__file__).parents[1]
LATE_MS = 40.0
"""Half a cycle of the quickest messages, less what is allowed: more is seen as irregular."""


def main(seconds: float, names: list[str]) -> None:
    """Run one node after the other and print what was said of it."""
    paths = os.pathsep.join([str(TESTS), str(TESTS.parent)])
    counts: Counter[str] = Counter()
    for name in names or ALL:
        node = ALL[name]
        port = 43_900 + list(ALL).index(name)  # runs of different nodes may go side by side
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
                    seconds=seconds,
                    folder=Path(folder),
                    guide=Starter(process),
                    sender=open_sender if node.answers else None,
                )
            finally:
                late = lateness_ms(process)
        codes = [f.code for f in record.report.findings]
        verdict = record.report.verdict.value
        fine = node.told_right(verdict, codes)
        word = "right" if fine else "late" if late > LATE_MS else "WRONG"
        counts[word] += 1
        serious = dict.fromkeys(f.code for f in record.report.findings if f.weight > 0)
        print(
            f"{word:6}{name:34}{verdict:12}{late:6.0f} ms late  {', '.join(serious) or '-'}",
            flush=True,
        )
    print(
        f"{counts['right']} of {counts.total()} right, {counts['WRONG']} wrong, {counts['late']} "
        f"not judged: their process sent more than {LATE_MS:g} ms late"
    )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 15.0, sys.argv[2:])
