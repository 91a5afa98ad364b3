"""A pass shows that a failure is gone only if it could have shown that very failure.

Shares and degrees: common practice, no source. The rest is the demo's (invented), whose cell 71
loses 0.6 mV/h by its own scene.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from busplan.commission.cover import Covered, results_of
from busplan.commission.entry import Entry, Journal, Result
from busplan.commission.repair import why_in_vain
from busplan.commission.state import FAILED, PROVEN, commissioning_of
from busplan.demo.captures import demo_vehicle, make_capture
from busplan.plan.planned_tests import PlannedTest

GOOD, BAD = "good", "bad"


def why(kind: str, failed: dict[str, Any], passed: dict[str, Any]) -> str:
    def told(number: int, figures: dict[str, Any], answer: str) -> tuple[Entry, Result]:
        result = Result("t", answer, figures=figures)
        return Entry(number, "now", "A", "capture", (result,)), result

    test = replace(_A_TEST, kind=kind)
    return why_in_vain(test, told(1, failed, FAILED), told(2, passed, PROVEN))


_A_TEST = PlannedTest("t", "look", "t")


def named(name: str, answer: str, missing: str = "") -> dict[str, str]:
    return {"name": name, "answer": answer, "missing": missing}


def test_an_hour_of_rest_shows_no_loss_gone_that_six_hours_showed() -> None:
    vehicle = demo_vehicle("asleep")
    test = PlannedTest("rests", "capture", "rest")
    vehicle = replace(vehicle, tests=(test,))
    whole = make_capture("rest")
    short = whole.take(np.flatnonzero(whole.time_ns - whole.origin_ns >= 5 * 3600 * 10**9))
    results = [r for t in (whole, short) for r in results_of(Covered(vehicle, t))]
    assert [r.answer for r in results] == [FAILED, PROVEN]
    entries = tuple(Entry(n, "now", "A", "capture", (r,)) for n, r in enumerate(results, 1))
    (state,) = commissioning_of(vehicle, Journal(entries)).tests
    assert state.state == FAILED
    assert state.passed_in_vain.startswith("entry 2 passes, but does not show self-discharge (")
    (alone,) = commissioning_of(vehicle, Journal(entries[1:])).tests
    assert alone.state == PROVEN


def test_what_was_bad_is_judged_again() -> None:
    def pack(*sections: dict[str, str], checks: tuple[dict[str, str], ...] = ()) -> dict[str, Any]:
        return {"pack": {"span_s": 600.0, "sections": list(sections), "checks": list(checks)}}

    failed = pack(named("capacity", BAD), named("limits", GOOD))
    assert why("capture", failed, pack(named("capacity", GOOD))) == ""
    assert why("capture", failed, pack(named("limits", GOOD))) == "does not show capacity"
    vague = pack(named("capacity", "not shown", "no current was steady"))
    assert why("capture", failed, vague) == "does not show capacity (no current was steady)"
    assert why("capture", failed, {}) == "the journal does not tell what it showed"
    welded = pack(named("electrical", BAD), checks=(named("link while open", BAD),))
    driven = pack(named("electrical", GOOD), checks=(named("sum of cells", GOOD),))
    assert why("capture", welded, driven) == "does not show link while open"
    keyed = pack(named("electrical", GOOD), checks=(named("link while open", GOOD),))
    assert why("capture", welded, keyed) == ""


def test_what_comes_and_goes_is_listened_for_as_long() -> None:
    def heard(answer: str, span_s: float) -> dict[str, Any]:
        return {"pack": {"span_s": span_s, "sections": [named("signals", answer)]}}

    told = why("capture", heard(BAD, 600.0), heard(GOOD, 35.0))
    assert told == "lasted for 35 s only, and 600 s showed the failure"
    assert why("capture", heard(BAD, 600.0), heard(GOOD, 540.0)) == ""
    assert why("capture", heard(GOOD, 600.0), heard(GOOD, 35.0)) == ""
    for kind in ("load", "cycles"):
        told = why(kind, {"recorded_s": 600.0}, {"recorded_s": 12.0})
        assert told.endswith("for 12 s only, and 600 s showed the failure")
        assert why(kind, {"recorded_s": 600.0}, {"recorded_s": 541.0}) == ""
        assert why(kind, {"recorded_s": None}, {"recorded_s": 12.0}) == ""


def limits(
    answer: str, *, amps: float, start_c: float, code: str = "", mode: str = "charging"
) -> dict[str, Any]:
    return {
        "pack": {
            "span_s": 600.0,
            "sections": [named("limits", answer)],
            "limits": [{"what": "temperatures", "mode": mode, "answer": answer}],
            f"most_{mode}_a": amps,
            "modules": [{"start_c": start_c + 1.0}, {"start_c": start_c}, {"start_c": None}],
            "findings": [{"code": code}] if code else [],
        }
    }


@pytest.mark.parametrize(
    ("amps", "start_c", "told"),
    [
        (38.0, -2.0, ""),
        (20.0, -2.0, "charging reached 20 A only, and 40 A before"),
        (
            40.0,
            20.0,
            "did not start as cold: the coldest module was at -4.0 °C before, at 20.0 °C there",
        ),
    ],
)
def test_a_limit_wants_the_same_use_as_cold_and_at_as_high_a_current(
    amps: float, start_c: float, told: str
) -> None:
    failed = limits(BAD, amps=40.0, start_c=-4.0, code="charging-too-cold")
    assert why("capture", failed, limits(GOOD, amps=amps, start_c=start_c)) == told


def test_a_limit_passed_while_charging_is_not_shown_kept_by_a_drive() -> None:
    failed = limits(BAD, amps=40.0, start_c=-4.0)
    other = limits(GOOD, amps=300.0, start_c=-4.0, mode="discharging")
    told = "does not show temperatures inside their limits while charging"
    assert why("capture", failed, other) == told


def test_a_hot_pack_starts_as_warm() -> None:
    failed = limits(BAD, amps=300.0, start_c=30.0, code="temperature-high", mode="discharging")
    winter = limits(GOOD, amps=300.0, start_c=2.0, mode="discharging")
    assert why("capture", failed, winter).startswith("did not start as warm: the warmest module ")
    assert why("capture", failed, limits(GOOD, amps=300.0, start_c=27.0, mode="discharging")) == ""


def test_a_loss_that_the_later_rest_cannot_exclude_stays_open() -> None:
    def rest(answer: str, slope: float, wide: float) -> dict[str, Any]:
        cell = {
            "cell": 71,
            "answer": answer,
            "slope_mv_h": slope,
            "slope_low_mv_h": slope - wide,
            "slope_high_mv_h": slope + wide,
        }
        code = [{"code": "cell-self-discharge"}] if answer == BAD else []
        sections = [named("self-discharge", answer)]
        return {"pack": {"sections": sections, "cells": [cell], "findings": code}}

    failed = rest(BAD, -0.3, 0.1)
    told = "does not exclude the 0.3 mV/h that cell 71 lost before"
    assert why("capture", failed, rest(GOOD, -0.05, 0.4)) == told
    assert why("capture", failed, rest(GOOD, -0.05, 0.2)) == ""


def test_a_behaviour_comes_up_as_often_as_it_took_to_fail() -> None:
    def came(up: int, failed: int, looked_s: float = 0.0) -> dict[str, Any]:
        return {"came_up": up, "failed": failed, "looked_s": looked_s}

    told = "it came up 1 time there, and failed in 1 of 40 before"
    assert why("behaviour", came(40, 1), came(1, 0)) == told
    assert why("behaviour", came(40, 1), came(36, 0)) == ""
    assert why("behaviour", came(40, 20), came(2, 0)) == ""
    told = "it was to hold for 10 s there, and failed once in 300 s before"
    assert why("behaviour", came(1, 2, 600.0), came(1, 0, 10.0)) == told
    assert why("behaviour", came(1, 2, 600.0), came(1, 0, 280.0)) == ""
