"""Twenty nodes of known truth, one of them two seconds long as a process on a software bus.

``tests/benchmarks/bench_nodes.py`` runs all of them as processes.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from support.bench_nodes import BENCH, UNIT
from support.node_kinds import KINDS, judge_rows, told_right
from support.node_process import Starter

from busplan.bench.live_run import run_live
from busplan.bench.run import BenchTest
from busplan.live.interface_spec import InterfaceSpec
from busplan.live.playing import GROUP

TESTS = Path(__file__).parents[1]


@pytest.mark.parametrize("name", [n for n, k in KINDS.items() if not k.answers])
def test_each_verdict_and_its_reason_are_right(name: str) -> None:
    kind = KINDS[name]
    report = judge_rows(kind, 1.5 if name == "unacknowledged" else 20)
    codes = [f.code for f in report.findings]
    assert told_right(kind, report.verdict.value, codes), (report.verdict, codes)


def test_a_node_that_is_a_process_of_its_own_is_told_right(tmp_path: Path) -> None:
    port = 43_300 + os.getpid() % 500
    kind = KINDS["other firmware"]
    arguments = [sys.executable, "-m", "support.node_process", "other firmware", str(port), "20"]
    paths = os.pathsep.join([str(TESTS), str(TESTS.parent), os.environ.get("PYTHONPATH", "")])
    node = subprocess.Popen(
        arguments,
        env={**os.environ, "PYTHONPATH": paths},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        options = {"port": port, "hop_limit": 0}
        spec = InterfaceSpec(BENCH, "udp_multicast", GROUP, options)
        test = BenchTest.of(kind.bench.vehicle(), UNIT, BENCH)
        record = run_live(test, spec, seconds=3, folder=tmp_path, guide=Starter(node))
    finally:
        node.terminate()
        node.wait(10)
    codes = [f.code for f in record.report.findings]
    assert told_right(kind, record.report.verdict.value, codes), codes
