"""Twenty nodes of known truth as processes on a software bus: is each verdict and its reason right?

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_nodes.py [SECONDS]``.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from support.bench_nodes import BENCH, UNIT
from support.node_kinds import KINDS, told_right
from support.node_process import Starter, lateness_ms

from busplan.bench.live_run import run_live
from busplan.bench.run import BenchTest
from busplan.live.interface_spec import InterfaceSpec
from busplan.live.interfaces import open_sender
from busplan.live.playing import GROUP

TESTS = Path(__file__).parents[1]


def main(seconds: float) -> None:
    """Run one node after the other and print what was said of it."""
    paths = os.pathsep.join([str(TESTS), str(TESTS.parent)])
    right = 0
    for number, (name, kind) in enumerate(KINDS.items()):
        port = 43_900 + number
        node = subprocess.Popen(
            [sys.executable, "-m", "support.node_process", name, str(port), str(seconds + 6)],
            env={**os.environ, "PYTHONPATH": paths},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        try:
            test = BenchTest.of(kind.bench.vehicle(), UNIT, BENCH)
            with tempfile.TemporaryDirectory() as folder:
                record = run_live(
                    test,
                    InterfaceSpec(BENCH, "udp_multicast", GROUP, {"port": port, "hop_limit": 0}),
                    seconds=seconds,
                    folder=Path(folder),
                    guide=Starter(node),
                    sender=open_sender if kind.questions else None,
                )
        finally:
            late = lateness_ms(node)
        codes = [f.code for f in record.report.findings]
        fine = told_right(kind, record.report.verdict.value, codes)
        right += fine
        serious = [f.code for f in record.report.findings if f.weight > 0]
        print(
            f"{'right' if fine else 'WRONG':6}{name:26}{record.report.verdict.value:12}"
            f"{late:6.0f} ms late  {', '.join(serious) or '-'}",
            flush=True,
        )
    print(f"{right} of {len(KINDS)} right")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 15.0)
