"""The evaluation of the pack for the screens, and how its findings join those of the capture."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from busplan.errors import BusplanError
from busplan.findings import Finding
from busplan.replay.replay import Replay

if TYPE_CHECKING:
    from busplan.pack.report import PackReport

SAME_NS = 5_000_000_000
"""Two findings of one node that lie this close speak of the same silence."""


def judge_pack(replay: Replay) -> PackReport | None:
    """Evaluate the whole capture; ``None`` when the plan has no pack or none of it was heard."""
    layout = replay.vehicle.pack
    if layout is None:
        return None
    from busplan.pack.pull import pull_series
    from busplan.pack.report import evaluate_pack

    try:
        return evaluate_pack(pull_series(replay.table, replay.vehicle), layout)
    except BusplanError:
        return None


def joined(replay: Replay, report: PackReport | None) -> Replay:
    """The capture with the findings of its evaluation; what both have seen is told once."""
    if report is None:
        return replace(replay, judged=True)
    told = [f for f in report.findings if f.code == "monitor-silent"]
    kept = [f for f in replay.findings if not any(_same(f, t) for t in told)]
    return replace(replay.with_findings(report.findings, kept=kept), judged=True)


def _same(mine: Finding, theirs: Finding) -> bool:
    a, b = mine.where, theirs.where
    return (
        mine.code == "node-stopped"
        and (a.network, a.node) == (b.network, b.node)
        and abs((a.time_ns or 0) - (b.time_ns or 0)) < SAME_NS
    )
