"""A report as rows and plain values: the same for terminal, JSON and screens."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from busplan.answers import UNKNOWN
from busplan.findings import Finding, heaviest
from busplan.frames.columns import F64
from busplan.pack.kinds import KINDS
from busplan.pack.order import EndOrder
from busplan.pack.report import PackReport
from busplan.pack.resistance_rows import delay_rows, joints_dict, resistance_dict
from busplan.pack.resistance_scales import AtScale
from busplan.pack.statistics import nan_median
from busplan.pack.warm_up_result import WarmUp
from busplan.pack.warm_up_text import cautions
from busplan.pack.whole import Whole, judge_whole
from busplan.tables import unit

CAUTIONS = (
    "High voltage can kill. Only licensed people work on the pack, by the local codes.",
    "busplan is not a safety device. It judges what was recorded, and what was not recorded it "
    "cannot judge.",
)


@dataclass(frozen=True, slots=True)
class ModuleRow:
    """One module: temperatures [°C], lag [K, s], exchange relative to peers; NaN: not known.

    ``answer`` is good, bad or not shown over all topics that this test must show; ``verdict`` the
    warm-up's word, ``""`` when no such test was judged. ``lag_s`` is by how much its cells trail
    the liquid longer than the peers' do; that and the exchange lie between ``…_low`` and
    ``…_high`` in 95 of 100 tests.
    """

    module: str
    answer: str
    verdict: str
    start_c: float = field(metadata=unit("°C"))
    end_c: float = field(metadata=unit("°C"))
    rate_k_min: float = field(metadata=unit("K/min"))
    lag_k: float = field(metadata=unit("K"))
    lag_s: float = field(metadata=unit("s"))
    lag_low_s: float = field(metadata=unit("s"))
    lag_high_s: float = field(metadata=unit("s"))
    exchange: float
    exchange_low: float
    exchange_high: float
    deviation_k: float = field(metadata=unit("K"))


@dataclass(frozen=True, slots=True)
class CellRow:
    """One cell: deviation [mV], part of the time lowest and highest, resistance [mΩ]; NaN: unknown.

    ``resistance_mohm`` holds ``resistance_after_s`` after a step of load; ``…_low`` and ``…_high``
    are where it lies in 95 of 100 such tests; ``against_peers`` is how far it lies from the median
    cell, as a part. ``…_10s`` are the same 10 s after the step.

    ``answer`` is good, bad or not shown over all topics that this test must show.
    ``ahead_top_mv`` and ``ahead_bottom_mv``: how far it leads the median cell towards that end.
    ``capacity`` is over the middle cell's, ``ahead_ah`` the charge by which it is ahead of it,
    ``slope_mv_h`` its slope at rest against its peers; low and high are the ends of what holds in
    95 %.
    """

    cell: int
    module: str
    answer: str
    deviation_mv: float = field(metadata=unit("mV"))
    lowest_share: float
    highest_share: float
    resistance_mohm: float = field(metadata=unit("mΩ"))
    resistance_low_mohm: float = field(metadata=unit("mΩ"))
    resistance_high_mohm: float = field(metadata=unit("mΩ"))
    resistance_after_s: float = field(metadata=unit("s"))
    against_peers: float
    against_peers_low: float
    against_peers_high: float
    resistance_10s_mohm: float = field(metadata=unit("mΩ"))
    resistance_10s_low_mohm: float = field(metadata=unit("mΩ"))
    resistance_10s_high_mohm: float = field(metadata=unit("mΩ"))
    against_peers_10s: float
    against_peers_10s_low: float
    against_peers_10s_high: float
    extra_sag_mv: float = field(metadata=unit("mV"))
    temperature_c: float = field(metadata=unit("°C"))
    ahead_top_mv: float = field(metadata=unit("mV"))
    ahead_bottom_mv: float = field(metadata=unit("mV"))
    capacity: float
    capacity_low: float
    capacity_high: float
    ahead_ah: float = field(metadata=unit("Ah"))
    ahead_low_ah: float = field(metadata=unit("Ah"))
    ahead_high_ah: float = field(metadata=unit("Ah"))
    slope_mv_h: float = field(metadata=unit("mV/h"))
    slope_low_mv_h: float = field(metadata=unit("mV/h"))
    slope_high_mv_h: float = field(metadata=unit("mV/h"))


@dataclass(frozen=True, slots=True)
class TopicRow:
    """One topic of the judgement: good, bad or not shown, its sentence, and what is missing."""

    name: str
    answer: str
    text: str
    missing: str
    must_show: bool


def topic_rows(report: PackReport) -> list[TopicRow]:
    """All topics; ``must_show`` says which this kind of test must show."""
    must = ("recording", *KINDS[report.test].sections)
    return [
        TopicRow(s.name, s.answer.value, s.text, s.missing, s.name in must)
        for s in judge_whole(report).sections
    ]


def module_rows(report: PackReport) -> list[ModuleRow]:
    """All modules in string order."""
    answers = judge_whole(report).modules
    judged = {m.module: m for m in report.warm_up.modules} if report.warm_up else {}
    rows = []
    values = report.temperature.value
    end = max(len(values) // 20, 1)
    for index, module in enumerate(report.layout.modules):
        deviation = float(report.temperature.deviation[index])
        test = judged.get(module)
        if test is None:
            start = float(nan_median(values[:end, index])) if len(values) else math.nan
            stop = float(nan_median(values[-end:, index])) if len(values) else math.nan
            blank = (math.nan,) * 8
            rows.append(ModuleRow(module, answers[index].value, "", start, stop, *blank, deviation))
        else:
            rows.append(
                ModuleRow(
                    module=module,
                    answer=answers[index].value,
                    verdict=test.verdict.value,
                    start_c=test.start_c,
                    end_c=test.end_c,
                    rate_k_min=test.rate_k_min,
                    lag_k=test.lag_k,
                    lag_s=test.lag_s,
                    lag_low_s=test.lag_interval.low,
                    lag_high_s=test.lag_interval.high,
                    exchange=test.exchange,
                    exchange_low=test.interval.low,
                    exchange_high=test.interval.high,
                    deviation_k=deviation,
                )
            )
    return rows


def cell_rows(report: PackReport) -> list[CellRow]:
    """All cells in string order."""
    count = len(report.layout.cells)
    answers = judge_whole(report).cells
    unknown: F64 = np.full(count, np.nan)
    fit = report.resistance if report.resistance and report.resistance.judged else None
    scale = fit.best if fit else None
    longer = fit.scales[-1] if fit else None
    sag = fit.extra_sag_v if fit else unknown
    held = report.capacity
    capacity, ahead = (unknown, unknown) if held is None else (held.relative, held.ahead_ah)
    nothing = (UNKNOWN,) * count
    rest = report.self_discharge
    slope, slopes = (unknown, nothing) if rest is None else (rest.slope, rest.intervals)
    shares, charges = (
        (nothing, nothing) if held is None else (held.intervals, held.balance_intervals)
    )

    def lead(order: EndOrder | None) -> F64:
        return unknown if order is None else order.lead_v

    top, bottom = lead(report.top), lead(report.bottom)
    even = report.voltage
    return [
        CellRow(
            cell=cell.number,
            module=cell.module,
            answer=answers[i].value,
            deviation_mv=float(even.deviation[i]) * 1e3,
            lowest_share=float(even.lowest_share[i]),
            highest_share=float(even.highest_share[i]),
            **_resistance(scale, i, ""),
            resistance_after_s=scale.after_s if scale else math.nan,
            **_resistance(longer, i, "_10s"),
            extra_sag_mv=float(sag[i]) * 1e3,
            temperature_c=float(report.temperature_c[i]),
            ahead_top_mv=float(top[i]) * 1e3,
            ahead_bottom_mv=float(bottom[i]) * 1e3,
            capacity=float(capacity[i]),
            capacity_low=shares[i].low,
            capacity_high=shares[i].high,
            ahead_ah=float(ahead[i]),
            ahead_low_ah=charges[i].low,
            ahead_high_ah=charges[i].high,
            slope_mv_h=float(slope[i]),
            slope_low_mv_h=slopes[i].low,
            slope_high_mv_h=slopes[i].high,
        )
        for i, cell in enumerate(report.layout.cells)
    ]


def _resistance(scale: AtScale | None, cell: int, suffix: str) -> dict[str, float]:
    """One cell's resistance and its ratio less one, each with its ends, as columns of a row."""
    if scale is None:
        own = ratio = UNKNOWN
        value, share = math.nan, math.nan
    else:
        own, ratio = scale.interval(cell), scale.relative_interval(cell)
        value, share = float(scale.value[cell]), float(scale.relative[cell])
    return {
        f"resistance{suffix}_mohm": value * 1e3,
        f"resistance{suffix}_low_mohm": own.low * 1e3,
        f"resistance{suffix}_high_mohm": own.high * 1e3,
        f"against_peers{suffix}": share - 1.0,
        f"against_peers{suffix}_low": ratio.low - 1.0,
        f"against_peers{suffix}_high": ratio.high - 1.0,
    }


def report_dict(report: PackReport) -> dict[str, Any]:
    """The report as plain values for JSON; what is not known is ``None``."""
    warm_up = report.warm_up
    test: dict[str, Any] | None = None
    if warm_up is not None:
        test = warm_up_dict(warm_up)
    value: dict[str, Any] = {
        "cautions": list(CAUTIONS),
        **_whole(judge_whole(report)),
        "weight": report.weight.word,
        "test": report.test.value,
        "test_stated": report.asked,
        "span_s": report.span_s,
        "most_charging_a": None if report.most_a is None else report.most_a[0],
        "most_discharging_a": None if report.most_a is None else report.most_a[1],
        "chemistry": report.layout.chemistry,
        "sections": [asdict(row) for row in topic_rows(report)],
        "findings": [f.as_dict() for f in (*report.findings, *report.tolerated)],
        "warm_up": test,
        "modules": [asdict(row) for row in module_rows(report)],
        "cells": [asdict(row) for row in cell_rows(report)],
        "resistance": resistance_dict(report.resistance, report.layout),
        "delays": [asdict(row) for row in delay_rows(report.resistance, report.layout)],
        "joints": joints_dict(report.joints),
        "limits": [asdict(row) for row in report.limit_times],
        "checks": [asdict(check) for check in report.checks],
    }
    return {key: _plain(item) for key, item in value.items()}


def _whole(whole: Whole) -> dict[str, Any]:
    return {
        "verdict": whole.headline,
        "answer": whole.answer.value,
        "not_shown": list(whole.open),
        "next": list(whole.steps),
    }


def warm_up_dict(warm_up: WarmUp) -> dict[str, Any]:
    """The warm-up as plain values; its modules without what :class:`ModuleRow` has."""
    value = asdict(warm_up)
    value["state"], value["answer"] = warm_up.state.value, warm_up.answer.value
    value["cautions"] = cautions(warm_up)
    value["modules"] = [
        {
            "module": m.module,
            "answer": m.answer.value,
            "verdict": m.verdict.value,
            "stuck": m.stuck,
            "offsets": [asdict(o) for o in m.offsets],
            "change": None if m.change is None else asdict(m.change),
            "later_sensor": m.disagree,
        }
        for m in warm_up.modules
    ]
    return value


def judged_dict(
    report: PackReport, findings: Sequence[Finding], vehicle: str, invented: bool
) -> dict[str, Any]:
    """The same of a vehicle by its name, with all ``findings`` and the verdict over them."""
    return {
        "vehicle": vehicle,
        "invented": invented,
        **report_dict(report),
        **_whole(judge_whole(report, findings)),
        "weight": heaviest(findings).word,
        "findings": [f.as_dict() for f in findings],
    }


def _plain(value: Any) -> Any:
    """Numbers of numpy as Python's own, NaN and infinities as ``None``."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        number = float(value)
        return number if math.isfinite(number) else None
    if isinstance(value, np.integer):
        return int(value)
    return str(value) if isinstance(value, str) else value
