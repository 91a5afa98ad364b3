"""A node of known truth on its bench: its definition written, its frames judged."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from truth.nodes import Sent, TruthNode

from busplan.bench.node_report import BenchReport
from busplan.bench.run import BenchTest
from busplan.frames.kinds import BRS, EXTENDED, FD
from busplan.frames.table import FrameTable
from busplan.plan.reader import load_plan
from support.bench_nodes import BENCH, START, Row

PLAN = """[vehicle]
name = "bench of {name}"
invented = true
[network.bench]
{network}
[part.unit]
definitions = "unit.dbc"
sender = "{sender}"
[node.unit]
part = "unit"
on = ["bench"]
{plan}
"""


def test_of(node: TruthNode, folder: Path) -> BenchTest:
    """The node's test; its definition and plan are written into the folder."""
    (folder / "unit.dbc").write_text(node.dbc, encoding="utf-8")
    told = {"name": node.name, "network": node.network, "sender": node.sender, "plan": node.plan}
    (folder / "plan.toml").write_text(PLAN.format(**told), encoding="utf-8")
    return BenchTest.of(load_plan(folder / "plan.toml"), "unit", BENCH)


def row_of(sent: Sent) -> Row:
    """A frame as the bench's helpers hold it."""
    flags = EXTENDED * sent.extended | FD * sent.fd | BRS * sent.switched
    return Row(round(sent.at_s * 1e9), sent.identifier, flags, sent.data)


def judged(node: TruthNode, folder: Path, seed: int = 1) -> BenchReport:
    """What the bench says of the node, without a bus."""
    test = test_of(node, folder)
    rows = [row_of(s) for s in node.frames(seed)]
    table = FrameTable.from_columns(
        [BENCH],
        [START + r.time_ns for r in rows],
        np.zeros(len(rows)),
        [r.identifier for r in rows],
        [r.flags for r in rows],
        [len(r.data) for r in rows],
        np.frombuffer(b"".join(r.data for r in rows), np.uint8),
    )
    begin = START
    limits = test.limits_while(table, begin, begin + round(node.seconds * 1e9))
    return test.record(table, limits=limits).report
