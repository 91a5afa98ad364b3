"""The judgement of one capture as one row: the same verdicts as everywhere else, side by side."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from busplan.answers import Answer
from busplan.behaviour.judge import judge_behaviours
from busplan.capture.capture import Capture
from busplan.errors import CaptureError
from busplan.findings import Finding, Weight, by_weight, heaviest
from busplan.fleet.frames_file import Decoded
from busplan.fleet.identity import JUDGEMENT_VERSION
from busplan.fleet.schema import FINDINGS, LOADS, STATS, columns_of
from busplan.pack.judging import Judged, judge_frames, known_test
from busplan.pack.tables import (
    CellRow,
    ModuleRow,
    TopicRow,
    cell_rows,
    module_rows,
    topic_rows,
)
from busplan.pack.whole import judge_whole
from busplan.plan.vehicle import Vehicle
from busplan.traffic.measured_load import MeasuredLoad, load_findings, measured_load, rates_of
from busplan.wording import disarmed


def side_by_side(columns: Iterable[str], rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Rows as lists of one length; numbers that are none become missing."""
    return {name: [_known(row.get(name)) for row in rows] for name in columns}


def _known(value: Any) -> Any:
    if isinstance(value, float | np.floating):
        number = float(value)
        return number if math.isfinite(number) else None
    return value.item() if isinstance(value, np.generic) else value


def judged_row(capture: Capture, vehicle: Vehicle, decoded: Decoded, test: str) -> dict[str, Any]:
    """Everything a capture, its channels given to networks, is judged to be.

    ``decoded`` is what its frames came to; ``test`` what was done, ``""``: found from the signals.
    """
    table = capture.frames
    loads = measured_load(table, rates_of(vehicle.networks), exact_only=True)
    limits = {n.name: n.load_limit for n in vehicle.networks.values()}
    judged, why_not = _pack(capture, vehicle, test)
    findings = list(judged.findings) if judged else []
    findings += [f for f in capture.findings if f.weight > Weight.NOTE]
    for name, load in loads.items():
        findings += load_findings(load, limits[name], table.origin_ns)
    if vehicle.behaviours:
        findings += judge_behaviours(table, vehicle).findings
    findings += decoded.findings
    told = by_weight(dict.fromkeys(findings))
    row: dict[str, Any] = {
        "engine": JUDGEMENT_VERSION,
        "format": ", ".join(dict.fromkeys(s.format for s in capture.sources)),
        "dated": table.epoch,
        "start_ns": table.origin_ns,
        "span_s": table.span_ns / 1e9,
        "frames": len(table),
        "decoded_frames": decoded.frames,
        "values": decoded.values,
        "networks": [c.network for c in capture.channels if c.network is not None],
        "asked_test": test,
        "state": "judged",
        "weight": heaviest(told).word,
        "faults": sum(f.weight is Weight.FAULT for f in told),
        "cautions": sum(f.weight is Weight.CAUTION for f in told),
        "loads": side_by_side(LOADS, [_load(load, limits[n]) for n, load in loads.items()]),
        "findings": side_by_side(FINDINGS, [_finding(f, table.origin_ns) for f in told]),
        "stats": side_by_side(STATS, list(decoded.stats.values())),
    }
    return row | (_of_pack(judged, told) if judged else _without_pack(told, why_not))


def _pack(capture: Capture, vehicle: Vehicle, test: str) -> tuple[Judged | None, str]:
    if vehicle.pack is None:
        return None, "the plan has no [pack] section"
    try:
        return (
            judge_frames(
                capture.frames,
                vehicle,
                test=known_test(test or None),
                tolerated=capture.findings,
            ),
            "",
        )
    except CaptureError as error:
        return None, str(error)


def _of_pack(judged: Judged, told: Sequence[Finding]) -> dict[str, Any]:
    report = judged.report
    whole = judge_whole(report, told)
    spread = report.voltage.spread
    volts, degrees = report.voltage_range, report.temperature_range
    return {
        "test": report.test.value,
        "answer": whole.answer.value,
        "verdict": whole.headline,
        "spread_mv": _known(float(np.nanmax(spread)) * 1e3) if np.isfinite(spread).any() else None,
        "temperature_max_c": None if degrees is None else degrees[1].value,
        "cell_min_v": None if volts is None else volts[0].value,
        "cell_max_v": None if volts is None else volts[1].value,
        "cells": side_by_side(columns_of(CellRow), [asdict(r) for r in cell_rows(report)]),
        "modules": side_by_side(columns_of(ModuleRow), [asdict(r) for r in module_rows(report)]),
        "topics": side_by_side(columns_of(TopicRow), [asdict(r) for r in topic_rows(report)]),
    }


def _without_pack(told: Sequence[Finding], why: str) -> dict[str, Any]:
    heavy = sum(f.weight > Weight.NOTE for f in told)
    return {
        "test": "",
        "answer": (Answer.BAD if heavy else Answer.NOT_SHOWN).value,
        "verdict": f"{'Not all right. ' if heavy else ''}Not shown: the pack ({disarmed(why)}).",
        **{
            name: side_by_side(columns_of(kind), [])
            for name, kind in (("cells", CellRow), ("modules", ModuleRow), ("topics", TopicRow))
        },
    }


def _load(load: MeasuredLoad, limit: float) -> dict[str, Any]:
    peak, at_ns = load.peak
    return {
        "network": load.network,
        "mean": load.mean(),
        "peak": peak,
        "peak_at_ns": at_ns,
        "limit": limit,
        "error_frames": int(load.error_frames.sum()),
    }


def _finding(finding: Finding, origin_ns: int) -> dict[str, Any]:
    where = finding.where
    return {
        "code": finding.code,
        "weight": finding.weight.word,
        "network": where.network,
        "node": where.node,
        "message": where.message,
        "signal": where.signal,
        "at_ns": None if where.time_ns is None else where.time_ns + origin_ns,
        "summary": disarmed(finding.summary),
        "figures": json.dumps(
            [[f.name, _known(f.value), f.unit] for f in finding.figures], ensure_ascii=False
        ),
    }
