"""Twenty nodes of known truth, one of them two seconds long as a process on a software bus.

``tests/benchmarks/bench_nodes.py`` runs all of them as processes.
"""

import math
import os
import subprocess
import sys
from pathlib import Path

import pytest
from support.bench_nodes import BENCH, UNIT
from support.live_nodes import ALL
from support.node_kinds import KINDS, judge_rows, told_right
from support.node_process import Starter, lateness_ms

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


def process_of(name: str, port: int, seconds: float) -> subprocess.Popen[bytes]:
    paths = os.pathsep.join([str(TESTS), str(TESTS.parent), os.environ.get("PYTHONPATH", "")])
    return subprocess.Popen(
        [sys.executable, "-m", "support.node_process", name, str(port), str(seconds)],
        env={**os.environ, "PYTHONPATH": paths},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )


def test_a_node_that_is_a_process_of_its_own_is_told_right(tmp_path: Path) -> None:
    port = 43_300 + os.getpid() % 500
    kind = KINDS["other firmware"]
    node = process_of("other firmware", port, 20)
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


def test_a_process_that_ended_by_itself_has_told_how_late_it_was() -> None:
    """A frame every 0.25 ms: no process sends each of them on the nanosecond."""
    node = process_of("unacknowledged", 43_300 + os.getpid() % 500, 0.2)
    assert node.stdin is not None
    node.stdin.write(b"\n")
    node.stdin.flush()
    node.wait(60)
    assert lateness_ms(node) > 0


@pytest.mark.parametrize(
    ("name", "half_a_cycle_ms"),
    [("pedal as defined", 5), ("good", 50), ("selector with moves by hand", 100), ("silent", None)],
)
def test_only_what_makes_a_node_irregular_excuses_it(
    name: str, half_a_cycle_ms: float | None
) -> None:
    """Cycles as the nodes' own definitions state them: 10, 100 and 200 ms."""
    late = ALL[name].may_be_late_ms()
    assert late == (math.inf if half_a_cycle_ms is None else pytest.approx(half_a_cycle_ms, 0.01))
