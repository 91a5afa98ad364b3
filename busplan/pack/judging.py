"""The way from recorded frames to the judgement, the same for the command line and Python."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from busplan.errors import CaptureError, UsageError
from busplan.findings import Finding, Weight, by_weight
from busplan.frames.table import FrameTable
from busplan.pack.drift import Baseline
from busplan.pack.kinds import PackTest
from busplan.pack.layout import layout_findings
from busplan.pack.pull import pull_series
from busplan.pack.report import PackReport, evaluate_pack
from busplan.pack.series import PackSeries
from busplan.plan.vehicle import Vehicle

SHORTEST_S = 30.0
"""A warm-up that is named must last so long."""


class Judged(NamedTuple):
    """The judgement, what it was made from, and all findings: of pack, layout and reading."""

    report: PackReport
    series: PackSeries
    findings: tuple[Finding, ...]


def known_test(word: str | None) -> PackTest | None:
    """A test by its word; :class:`busplan.errors.UsageError` when there is none of it."""
    if word is not None and word not in list(PackTest):
        raise UsageError(f'test is one of {", ".join(PackTest)}; got "{word}"')
    return None if word is None else PackTest(word)


def judge_frames(
    table: FrameTable,
    vehicle: Vehicle,
    *,
    test: PackTest | None = None,
    span_s: tuple[float, float] | None = None,
    before: PackReport | Baseline | None = None,
    tolerated: Sequence[Finding] = (),
) -> Judged:
    """Judge the pack of a vehicle by a capture whose channels have the plan's network names.

    ``test`` is found from the signals when it is ``None``; ``span_s`` is the start and stop of the
    warm-up; ``before`` an older judgement of the same pack, or the baseline that one kept, by which
    drift is found; ``tolerated`` what reading the capture and its definitions had to put up with,
    which is part of the verdict.
    :class:`busplan.errors.UsageError` when the plan has no pack, the capture nothing of it, or
    the span lies outside.
    """
    series = pull_series(table, vehicle)
    assert vehicle.pack is not None  # pull_series has seen to it
    if span_s is not None:
        _check_span(span_s, series.span_s)
    mine = concerning(tolerated, vehicle)
    report = evaluate_pack(
        series,
        vehicle.pack,
        test=test,
        span_s=span_s,
        before=before,
        tolerated=mine,
    )
    beside = [f for part in series.others for f in _faults_in(part, table, vehicle, test)]
    if beside:
        report = replace(report, findings=tuple(by_weight((*report.findings, *beside))))
    findings = (*report.findings, *layout_findings(vehicle), *report.tolerated)
    return Judged(report, series, findings)


def _faults_in(
    part: FrameTable, table: FrameTable, vehicle: Vehicle, test: PackTest | None
) -> list[Finding]:
    """What was in the red in a part that is not judged: that it is left out mends nothing."""
    try:
        series = pull_series(part, vehicle)
    except CaptureError:  # it carries nothing of the pack
        return []
    assert vehicle.pack is not None
    later_s = (part.origin_ns - table.origin_ns) / 1e9
    found = evaluate_pack(series, vehicle.pack, test=test).findings
    return [f.later(later_s) for f in found if f.weight is Weight.FAULT]


def concerning(tolerated: Sequence[Finding], vehicle: Vehicle) -> tuple[Finding, ...]:
    """What of reading capture and definitions concerns the pack.

    Left out is what speaks of a network that carries none of its signals, and of definition files
    of other nodes.
    """
    layout = vehicle.pack
    if layout is None:
        return ()
    addresses = [c.address for c in layout.cells] + [s.address for s in layout.sensors]
    addresses += layout.quantities.values()
    networks = {a.network for a in addresses}
    nodes = {(a.network, a.node) for a in addresses}
    files = {s.message.file for s in vehicle.streams if (s.network, s.node) in nodes}
    others = {f.where.file for f in vehicle.findings} - files - {None}
    return tuple(
        f
        for f in tolerated
        if (f.where.network is None or f.where.network in networks) and f.where.file not in others
    )


def _check_span(span_s: tuple[float, float], length_s: float) -> None:
    start, stop = span_s
    # A capture of 60.0 s may be told to be 60.
    if not 0 <= start < stop <= length_s + 1.0 or stop - start < SHORTEST_S:
        raise UsageError(
            f"the span must lie inside the capture (0 to {length_s:.0f} s) and last "
            f"{SHORTEST_S:.0f} s or more; got {start:g} to {stop:g} s"
        )
