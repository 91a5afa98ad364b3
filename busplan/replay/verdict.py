"""What judges a whole capture for the screens, and how its findings join those of the capture."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from busplan.errors import BusplanError
from busplan.findings import Finding
from busplan.replay.replay import Replay
from busplan.replay.watch import OVER

if TYPE_CHECKING:
    from busplan.behaviour.report import BehaviourReport
    from busplan.pack.report import PackReport

STOPPED = {"node-stopped": "silence", "network-silent": "silence", "monitor-silent": "longest"}
"""Findings of a silence, and the figure [s] that says for how long."""


def judge_pack(replay: Replay) -> PackReport | None:
    """Evaluate the whole capture; ``None`` when the plan has no pack or none of it was heard."""
    from busplan.pack.judging import judge_frames

    try:
        return judge_frames(replay.table, replay.vehicle, tolerated=replay.tolerated).report
    except BusplanError:
        return None


def joined(replay: Replay, report: PackReport | None) -> Replay:
    """The capture with the findings of its evaluation; what both have seen is told once.

    A silence that lasts is told as the capture's own: on a live bus the evaluation is older.
    """
    if report is None:
        return replace(replay, judged=True)
    told = [f for f in report.findings if f.code == "monitor-silent"]
    kept, more = [], list(report.findings)
    for mine in replay.findings:
        same = [t for t in told if _same(mine, t)]
        if mine.code == "network-silent":
            kept.append(replace(mine, why=f"{mine.why} {same[0].why}") if same else mine)
            more = [f for f in more if f not in same]
        elif same and all(f.name != OVER for f in mine.figures):
            kept.append(replace(mine, why=same[0].why))
            more = [f for f in more if f not in same]
        elif not same:
            kept.append(mine)
    aside = frozenset((f.kind, f.index) for f in report.faulty)
    return replace(replay.with_findings(more, kept=kept), judged=True, set_aside=aside)


def judge_behaviour(replay: Replay) -> BehaviourReport | None:
    """Judge the plan's behaviours by the whole capture; ``None`` when it has none.

    :class:`busplan.errors.PlanError` when they cannot be judged.
    """
    if not replay.vehicle.behaviours:
        return None
    from busplan.behaviour.judge import judge_behaviours

    return judge_behaviours(replay.index.messages, replay.vehicle)


def told_behaviours(replay: Replay) -> BehaviourReport | str | None:
    """The same for the screens: why nothing can be judged in place of an error."""
    try:
        return judge_behaviour(replay)
    except BusplanError as error:
        return str(error)


def with_failures(replay: Replay, report: BehaviourReport | None) -> Replay:
    """The capture with a fault for each behaviour that failed."""
    if report is None:
        return replay
    kept = [f for f in replay.findings if f.code != "behaviour-failed"]
    return replay.with_findings(report.failures(replay.index.origin_ns), kept=kept)


def _same(mine: Finding, theirs: Finding) -> bool:
    """Whether two findings speak of the same silences of a node.

    Of many alike each may tell another as the longest; then both count the same number of them.
    """
    a, b = mine.where, theirs.where
    if mine.code == "network-silent" and a.network == b.network:
        # A monitor that was silent at other times, too, is told of itself.
        return _figure(theirs, "drop-outs") == 1 and _overlap(mine, theirs)
    if mine.code != "node-stopped" or (a.network, a.node) != (b.network, b.node):
        return False
    often, again = _figure(mine, "silences"), _figure(theirs, "drop-outs")
    if often == again and often > 1:
        return True
    return _overlap(mine, theirs)


def _overlap(one: Finding, other: Finding) -> bool:
    (start, stop), (begin, end) = _stretch(one), _stretch(other)
    return start < end and begin < stop


def _stretch(finding: Finding) -> tuple[float, float]:
    """From when to when [s] the node was silent for longest."""
    start = (finding.where.time_ns or 0) / 1e9
    return start, start + _figure(finding, STOPPED[finding.code])


def _figure(finding: Finding, name: str) -> float:
    return float(next(f.value for f in finding.figures if f.name == name))
