"""What must not end with "all right": data missing, frozen, impossible, too short, or mis-scaled.

The demo's healthy captures, which end with "all right" whole, each with one thing taken away.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from support.alterations import (
    ALL,
    MONITOR_B,
    alterations,
    betterment,
    frozen_from,
    harmless,
    judged,
    kept,
    lost,
    lost_after,
    lost_between,
    noisy,
    on_all,
    on_cells,
    on_quantity,
    on_sensors,
    one_frame,
    scaled,
    shifted,
)

from busplan.answers import Answer
from busplan.demo.captures import demo_vehicle, make_capture
from busplan.pack.kinds import CHECK_NEEDS, KINDS, ONLY_IN, PackTest, wanted
from busplan.pack.pull import pull_series
from busplan.pack.report import evaluate_pack
from busplan.pack.sections import sections
from busplan.pack.series import PackSeries, Trace
from busplan.pack.whole import Whole, judge_whole
from busplan.plan.vehicle import PackLayout

Verdict = tuple[Whole, int]
Demo = dict[tuple[str, bool], PackSeries]
LENGTHS = {"drive": 120.0, "warm-up": 1200.0}


@pytest.fixture(scope="module")
def layout() -> PackLayout:
    pack = demo_vehicle().pack
    assert pack is not None
    return pack


@pytest.fixture(scope="module")
def demo() -> Demo:
    """Series by capture and whether it is healthy."""
    return {
        (name, healthy): pull_series(
            make_capture(name, healthy=healthy, duration_s=LENGTHS[name]), demo_vehicle()
        )
        for name in ("drive", "warm-up")
        for healthy in (True, False)
    }


@pytest.fixture(scope="module")
def whole(demo: Demo, layout: PackLayout) -> dict[tuple[str, bool], Verdict]:
    """The verdicts over all of it, the test stated."""
    return {key: judged(series, layout, PackTest(key[0])) for key, series in demo.items()}


def first(seconds: float, series: PackSeries, layout: PackLayout) -> PackSeries:
    """The beginning of a capture alone."""

    def cut(trace: Trace, span: float) -> Trace:
        return kept(trace, trace.time_s <= seconds)

    short = on_all(cut)(series, layout)
    return PackSeries(short.cells, short.sensors, short.quantities, seconds)


@pytest.mark.parametrize("name", ["drive", "warm-up"])
def test_the_whole_healthy_capture_is_all_right(name: str, demo: Demo, layout: PackLayout) -> None:
    for test in (PackTest(name), None):
        whole, code = judged(demo[name, True], layout, test)
        assert (whole.answer, code, whole.open) == (Answer.GOOD, 0, ())
        assert set(whole.cells) == {Answer.GOOD}
        assert set(whole.modules) == {Answer.GOOD}


TAKEN = {
    "all temperatures missing": ("warm-up", on_sensors(lost, ALL), "temperatures"),
    "all temperatures missing in a drive": ("drive", on_sensors(lost, ALL), "temperatures"),
    "all cells missing": ("drive", on_cells(lost, ALL), "cells"),
    "current missing": ("drive", on_quantity(lost, "current"), "current"),
    "pack voltage missing": ("drive", on_quantity(lost, "voltage"), "voltage"),
    "contactors missing": ("drive", on_quantity(lost, "contactor_state"), "contactor state"),
    "the first five seconds": ("drive", lambda s, p: first(5.0, s, p), "a long enough span"),
    "the first five seconds of a warm-up": (
        "warm-up",
        lambda s, p: first(5.0, s, p),
        "a long enough span",
    ),
    "one frame of each": ("drive", on_all(one_frame), "cells, temperatures, current"),
}
"""What is taken away, from which capture, and what the headline must name."""


@pytest.mark.parametrize("case", TAKEN)
def test_what_was_not_heard_is_named_and_ends_with_1_where_the_test_is_stated(
    case: str, demo: Demo, layout: PackLayout
) -> None:
    name, alter, missing = TAKEN[case]
    altered = alter(demo[name, True], layout)
    whole, code = judged(altered, layout, PackTest(name))
    assert whole.answer is not Answer.GOOD
    assert code == 1
    assert f"Not shown: {missing}" in whole.headline
    assert whole.steps
    assert judged(altered, layout, None)[0].answer is not Answer.GOOD


def identical(series: PackSeries, layout: PackLayout) -> PackSeries:
    cells = (series.cells[0],) * len(series.cells)
    return PackSeries(cells, series.sensors, series.quantities, series.span_s)


NAMED = {
    "temperatures frozen while the inlet rises": (
        "warm-up",
        on_sensors(frozen_from(0.0), ALL),
        "temperatures-still",
    ),
    "current 0 while cells move": ("drive", on_quantity(scaled(0.0), "current"), "current-still"),
    "cells frozen while the current leaps": (
        "drive",
        on_cells(frozen_from(0.0), ALL),
        "cells-still",
    ),
    "96 identical cells": ("drive", identical, "cells-same-reading"),
    "50 mV of noise on one lead": ("drive", on_cells(noisy(0.05), lambda i: i == 40), "cell-noisy"),
    "wrong sign": ("drive", on_quantity(scaled(-1.0), "current"), "current-sign-wrong"),
    "mA read as A": ("drive", on_quantity(scaled(1000.0), "current"), "current-scale-wrong"),
    # The plan states the 120 Ah of a cell (:mod:`busplan.demo.cells`).
    "current ten times too high": (
        "drive",
        on_quantity(scaled(10.0), "current"),
        "current-scale-wrong",
    ),
    "current ten times too low": (
        "drive",
        on_quantity(scaled(0.1), "current"),
        "current-scale-wrong",
    ),
    "mV read as V": ("drive", on_cells(scaled(1000.0), ALL), "cell-scale-wrong"),
    "cells ten times too high": ("drive", on_cells(scaled(10.0), ALL), "cell-scale-wrong"),
    "cells ten times too low": ("drive", on_cells(scaled(0.1), ALL), "cell-scale-wrong"),
}
"""What is wrong with the readings, and the one finding that says so."""


OPEN = {
    "temperatures-still": ("limits", "evenness of modules"),
    "current-still": ("resistance", "evenness of cells"),
    "cells-still": ("limits", "resistance", "evenness of cells"),
    "cells-same-reading": ("limits", "resistance", "evenness of cells"),
    "cell-noisy": ("limits", "resistance", "evenness of cells"),
    "current-sign-wrong": ("resistance",),
    "current-scale-wrong": ("resistance", "evenness of cells"),
    "cell-scale-wrong": ("limits", "resistance", "evenness of cells"),
}
"""What such readings cannot show."""


@pytest.mark.parametrize("case", NAMED)
def test_what_readings_cannot_be_is_named_once(case: str, demo: Demo, layout: PackLayout) -> None:
    name, alter, code = NAMED[case]
    report = evaluate_pack(alter(demo[name, True], layout), layout, test=PackTest(name))
    assert [f.code for f in report.findings if f.weight] == [code]
    whole = judge_whole(report)
    assert whole.answer is Answer.BAD
    assert whole.sections[0].answer is Answer.BAD
    assert whole.sections[0].name == "signals"
    told = {s.name: s for s in whole.sections}
    assert not {n for n in OPEN.get(code, ()) if told[n].answer is Answer.GOOD}
    if code.startswith("cell"):
        (check,) = [c for c in report.checks if c.name == "sum of cells"]
        assert check.answer is Answer.NOT_SHOWN
    if code.startswith("current"):
        assert "while" not in told["limits"].text
        assert "current at zero" not in told["electrical"].text
    if code == "temperatures-still":
        assert "outlet" not in told["electrical"].text


def test_without_a_current_heat_that_only_one_use_allows_is_no_good_news(
    demo: Demo, layout: PackLayout
) -> None:
    """The plan's cells may be warmer while discharging than while charging."""
    limits = layout.limits
    assert limits.charge_high_c < 53.0 < limits.discharge_high_c
    for kelvins, answer in ((20.0, Answer.GOOD), (30.0, Answer.NOT_SHOWN)):
        warm = on_sensors(shifted(kelvins), ALL)(demo["drive", True], layout)
        report = evaluate_pack(warm.without("current"), layout, test=PackTest.DRIVE)
        (told,) = [s for s in sections(report) if s.name == "limits"]
        assert told.answer is answer


def test_without_a_stated_capacity_a_current_ten_times_too_high_cannot_be_told(
    demo: Demo, layout: PackLayout
) -> None:
    """A cell may hold 12 or 1,200 Ah: only the plan knows."""
    series = on_quantity(scaled(10.0), "current")(demo["drive", True], layout)
    blind = evaluate_pack(series, replace(layout, capacity_ah=None), test=PackTest.DRIVE)
    assert "current-scale-wrong" not in {f.code for f in blind.findings}


def test_noise_of_a_lead_is_measured_and_an_honest_peer_is_left_alone(
    demo: Demo, layout: PackLayout
) -> None:
    """Uniform noise of ±50 mV has a standard deviation of 50/√3 = 29 mV (a uniform's variance)."""
    series = on_cells(noisy(0.05), lambda i: i == 40)(demo["drive", True], layout)
    (reading,) = evaluate_pack(series, layout).faulty
    assert reading.index == 40
    assert reading.value == pytest.approx(0.05 / np.sqrt(3), rel=0.35)


UNEVEN = ("temperatures lost after half", "nothing after a tenth", "C2 and A1")
"""What hides that a module stands out."""


def suite_ways() -> list[tuple[str, str]]:
    """Every second way on the drive, every thirteenth on the warm-up, and what hides a module."""
    drive = [a.name for a in alterations("drive")]
    warm = [a.name for a in alterations("warm-up")]
    some = dict.fromkeys((*warm[4::13], *UNEVEN))
    return [("drive", n) for n in drive[::2]] + [("warm-up", n) for n in some]


@pytest.mark.parametrize(("name", "way"), suite_ways())
def test_no_alteration_makes_a_verdict_better(
    name: str, way: str, demo: Demo, whole: dict[tuple[str, bool], Verdict], layout: PackLayout
) -> None:
    """The whole list: ``tests/benchmarks/bench_alterations.py``."""
    (alteration,) = [a for a in alterations(name) if a.name == way]
    test = PackTest(name)
    for healthy in (True, False):
        series = demo[name, healthy]
        after = judged(alteration.alter(series, layout), layout, test)
        assert not betterment(whole[name, healthy], after)
        if alteration.way == "losing":
            assert after[0].answer is not Answer.GOOD


@pytest.mark.parametrize(
    ("name", "alter", "topic", "missing", "lacks"),
    [
        (
            "drive",
            on_cells(lost_between(0.3, 0.6), MONITOR_B),
            "evenness of cells",
            "24 cells heard only in part",
            ("24 of 96 cells",),
        ),
        (
            "warm-up",
            on_sensors(lost_after(0.5), lambda i: i == 3),
            "evenness of modules",
            "1 module heard only in part",
            ("1 of 24 temperatures",),
        ),
        (
            "warm-up",
            on_sensors(shifted(4.0), lambda i: i == 0),
            "evenness of modules",
            "the sensors of module A1 disagree",
            (),
        ),
    ],
)
def test_peers_are_even_only_where_each_was_heard_throughout_and_its_sensors_agree(
    name: str,
    alter: Callable[..., PackSeries],
    topic: str,
    missing: str,
    lacks: tuple[str, ...],
    demo: Demo,
    layout: PackLayout,
) -> None:
    whole, _ = judged(alter(demo[name, True], layout), layout, PackTest(name))
    (told,) = [s for s in whole.sections if s.name == topic]
    assert (told.answer, told.missing, told.lacks) == (Answer.NOT_SHOWN, missing, lacks)
    assert Answer.NOT_SHOWN in (told.cells or told.modules)
    assert all(whole.headline.count(words) == 1 for words in lacks)


def test_a_module_whose_sensors_are_all_off_is_not_said_to_have_sensors_that_disagree(
    demo: Demo, layout: PackLayout
) -> None:
    hot = on_sensors(shifted(4.0), lambda i: i in (0, 1))(demo["warm-up", True], layout)
    (told,) = [s for s in sections(evaluate_pack(hot, layout)) if s.name == "evenness of modules"]
    assert (told.answer, told.missing) == (Answer.BAD, "")


@pytest.mark.parametrize("way", [a.name for a in harmless()])
def test_what_does_no_harm_makes_no_verdict_worse(
    way: str, demo: Demo, whole: dict[tuple[str, bool], Verdict], layout: PackLayout
) -> None:
    """Faulty captures and charges: ``tests/benchmarks/bench_alterations.py``."""
    (alteration,) = [a for a in harmless() if a.name == way]
    for key in (("drive", True), ("warm-up", True)):
        altered = alteration.alter(demo[key], layout)
        assert altered is not demo[key]
        assert not betterment(judged(altered, layout, PackTest(key[0])), whole[key])


def test_the_table_of_tests_names_what_there_is(demo: Demo, layout: PackLayout) -> None:
    told = {s.name for key in demo for s in sections(evaluate_pack(demo[key], layout))}
    told.add("order at the ends")  # of a charge
    checks = {c.name for c in evaluate_pack(demo["drive", True], layout).checks}
    assert set(KINDS) == set(PackTest)
    for kind in KINDS.values():
        assert set(kind.sections) <= told
        assert set(kind.checks) <= checks & set(CHECK_NEEDS)
    for test in PackTest:
        assert set(layout.quantities) - set(wanted(layout, test)) <= set(ONLY_IN)
