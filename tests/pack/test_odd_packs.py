"""Odd packs and odd data: always a report with plain values, never a traceback or a hang."""

from __future__ import annotations

import json
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.packs import layout

from busplan.pack.kinds import PackTest
from busplan.pack.report import evaluate_pack
from busplan.pack.sections import sections
from busplan.pack.series import EMPTY, PackSeries, Trace
from busplan.pack.tables import report_dict
from busplan.pack.whole import headline
from busplan.plan.vehicle import PackLayout

QUANTITIES = (
    "current", "voltage", "inlet_temperature", "insulation", "contactor_state", "link_voltage",
    "dcdc_output_voltage", "charger_current", "charger_current_request",
)  # fmt: skip


@st.composite
def traces(draw: st.DrawFn, low: float, high: float, step: float) -> Trace:
    kind = draw(st.sampled_from(["none", "one", "few", "flat", "random", "gap", "same time"]))
    n = {"none": 0, "one": 1, "few": draw(st.integers(2, 5))}.get(kind, draw(st.integers(20, 200)))
    if n == 0:
        return EMPTY
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    time = np.sort(rng.uniform(0.0, draw(st.sampled_from([1.0, 60.0, 900.0])), n))
    if kind == "gap":
        time[n // 2 :] += 50.0
    if kind == "same time":
        time[:] = time[0]
    value = np.full(n, low) if kind == "flat" else rng.uniform(low, high, n)
    value = np.round(value / step) * step
    return Trace(time, value, step, low, high, {0: "Open", 1: "Pre-charge", 2: "Closed"})


@st.composite
def packs(draw: st.DrawFn) -> tuple[PackLayout, PackSeries]:
    modules, cells, sensors = draw(st.sampled_from([(1, 1, 0), (1, 0, 1), (2, 3, 1), (5, 2, 2)]))
    quantities = draw(st.lists(st.sampled_from(QUANTITIES), unique=True))
    plan = layout(modules, cells=cells, sensors=sensors, quantities=quantities, step_k=None)
    volts, warmth = traces(2.0, 5.0, 0.001), traces(-45.0, 90.0, 0.5)
    series = PackSeries(
        tuple(draw(volts) for _ in plan.cells),
        tuple(draw(warmth) for _ in plan.sensors),
        {q: draw(traces(-100.0, 400.0, 0.1)) for q in quantities},
        draw(st.sampled_from([0.0, 10.0, 1000.0])),
    )
    return plan, series


@given(packs(), st.sampled_from([None, *PackTest]), st.booleans())
@settings(max_examples=30)
def test_whatever_arrives_there_is_a_report(
    pack: tuple[PackLayout, PackSeries], test: PackTest | None, timed: bool
) -> None:
    plan, series = pack
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        report = evaluate_pack(series, plan, test=test, span_s=(0.0, 300.0) if timed else None)
        again = evaluate_pack(series, plan, before=report)
    assert headline(report)
    assert sections(report)
    json.dumps(report_dict(report), allow_nan=False)
    assert not any(f.code.endswith("-drift") for f in again.findings)


@pytest.mark.parametrize("sensors_of", [{"A1": 2, "A2": 1, "A3": 0}, {"A1": 6, "A2": 0, "A3": 0}])
def test_uneven_modules_and_sensors_per_enclosure(sensors_of: dict[str, int]) -> None:
    plan = layout(3, cells=4, sensors=0)
    from dataclasses import replace

    from busplan.plan.vehicle import SensorPlace, SignalAddress

    places = tuple(
        SensorPlace(m, p + 1, SignalAddress("pack", "monitor_a", "T", f"T{m}{p}"))
        for m, count in sensors_of.items()
        for p in range(count)
    )
    plan = replace(plan, sensors=places)
    time = np.arange(0.0, 900.0, 1.0)
    warm = np.round((14 + time / 60) * 2) / 2
    series = PackSeries(
        tuple(Trace(time, np.full(len(time), 3.7), 0.001) for _ in plan.cells),
        tuple(Trace(time, warm, 0.5) for _ in places),
        {"inlet_temperature": Trace(time, warm + 8.0, 0.5)},
        900.0,
    )
    report = evaluate_pack(series, plan)
    assert report.test is PackTest.WARM_UP
    assert report.warm_up is not None
    assert [m.module for m in report.warm_up.modules] == [m for m, n in sensors_of.items() if n]
    assert len(report_dict(report)["modules"]) == 3
