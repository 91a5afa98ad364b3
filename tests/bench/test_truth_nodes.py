"""Nodes of known truth, some by authors who have not seen the judging code: ``truth.nodes``."""

from pathlib import Path

import pytest
from support.truth_bench import judged
from truth.nodes import all_nodes

NODES = all_nodes()
SEEDS = 10


@pytest.mark.parametrize("name", [n for n, node in NODES.items() if not node.answers])
def test_verdict_and_reason_are_the_truth(name: str, tmp_path: Path) -> None:
    """A healthy node passes whatever its seed."""
    node = NODES[name]
    for seed in range(1, SEEDS + 1 if node.healthy else 2):
        report = judged(node, tmp_path, seed)
        codes = [f.code for f in report.findings]
        assert node.told_right(report.verdict.value, codes), (
            seed,
            report.verdict,
            [f.summary for f in report.findings],
        )
