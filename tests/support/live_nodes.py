"""Every node of known truth in one form: those of ``node_kinds`` and those of ``truth.nodes``."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from truth.nodes import TruthNode, all_nodes

from busplan.bench.run import BenchTest
from support import truth_bench
from support.bench_nodes import BENCH, UNIT, Row
from support.node_kinds import KINDS, Kind, told_right

SURE_FRAMES = 10
"""From so many frames on a message has a cycle."""


@dataclass(frozen=True)
class LiveNode:
    """A node as its process plays it."""

    of: Kind | TruthNode

    @property
    def answers(self) -> Mapping[tuple[int, bytes], Sequence[tuple[int, bytes]]]:
        """Question to answers, for a node that is asked."""
        return self.of.answers

    def rows(self, seconds: float) -> list[Row]:
        """All it sends by itself, in order."""
        if isinstance(self.of, Kind):
            return sorted(self.of.rows(seconds), key=lambda r: r.time_ns)
        return [truth_bench.row_of(s) for s in self.of.frames()]

    def sends_for(self, seconds: float) -> float:
        """How long it can be heard of so many seconds: the truth of some ends sooner."""
        return seconds if isinstance(self.of, Kind) else min(seconds, self.of.seconds)

    def may_be_late_ms(self) -> float:
        """Half the quickest of its cycles, as sent [ms]: frames later than that are irregular.

        Messages sent on an occasion keep no cycle; without any cycle nothing is late.
        """
        times = defaultdict(list)
        for row in self.rows(12.0):
            times[row.identifier].append(row.time_ns)
        cycles = [float(np.median(np.diff(t))) for t in times.values() if len(t) >= SURE_FRAMES]
        return min(cycles, default=np.inf) / 2e6

    def told_right(self, verdict: str, codes: Sequence[str]) -> bool:
        """Whether verdict and reasons are the truth."""
        if isinstance(self.of, Kind):
            return told_right(self.of, verdict, codes)
        return self.of.told_right(verdict, codes)


ALL = {name: LiveNode(node) for name, node in (KINDS | all_nodes()).items()}


def test_of(node: LiveNode, folder: Path) -> BenchTest:
    """Its bench test; files it needs are written into the folder."""
    if isinstance(node.of, Kind):
        return BenchTest.of(node.of.bench.vehicle(), UNIT, BENCH)
    return truth_bench.test_of(node.of, folder)
