"""What a warm-up is told as, on results made by hand: findings, their weight, place and words."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import pytest
from truth.as_series import layout_of

from busplan.answers import UNKNOWN, Interval
from busplan.findings import Finding, Weight
from busplan.pack.flow_change import FlowChange
from busplan.pack.thermal_groups import LateBox
from busplan.pack.warm_up_findings import warm_up_findings
from busplan.pack.warm_up_power import Power
from busplan.pack.warm_up_result import (
    ModuleVerdict,
    ModuleWarmUp,
    SensorOffset,
    WarmUp,
    WarmUpState,
)
from busplan.pack.warm_up_text import cautions, exchange_text, power_text, sentence

LAYOUT = layout_of([0, 0, 0, 1, 1, 1], sensors=2)


def module(number: int, verdict: ModuleVerdict = ModuleVerdict.FOLLOWS) -> ModuleWarmUp:
    return ModuleWarmUp(
        module=f"M{number}",
        verdict=verdict,
        start_c=14.0,
        end_c=30.0,
        rate_k_min=0.8,
        lag_k=0.0,
        lag_s=0.0,
        lag_interval=Interval(-20.0, 20.0),
        exchange=1.0,
        interval=Interval(0.9, 1.1),
        moved=True,
        sensors=2,
    )


MODULES = tuple(module(n) for n in range(1, 7))
PLAIN = WarmUp(
    state=WarmUpState.JUDGED,
    start_s=0.0,
    stop_s=1200.0,
    heating=True,
    level_start=True,
    liquid_known=False,
    peer_rise_k=16.0,
    steps=32.0,
    rate_k_min=0.8,
    current_a=0.0,
    more_minutes=0.0,
    power=(),
    late=(),
    odd=False,
    few=(),
    modules=MODULES,
)


def with_first(changed: ModuleWarmUp) -> WarmUp:
    return replace(PLAIN, modules=(changed, *MODULES[1:]))


def only(found: WarmUp) -> Finding:
    (finding,) = warm_up_findings(found, LAYOUT)
    return finding


def test_a_sound_test_has_nothing_to_say() -> None:
    assert warm_up_findings(PLAIN, LAYOUT) == []


@pytest.mark.parametrize(
    ("verdict", "code", "weight", "words"),
    [
        (ModuleVerdict.SLOW, "module-slow", Weight.CAUTION, "flow at most that"),
        (ModuleVerdict.NO_FLOW, "module-no-flow", Weight.FAULT, "hardly moves"),
        (ModuleVerdict.STILL, "module-no-flow", Weight.FAULT, "this test cannot part them"),
    ],
)
def test_a_module_behind_is_told_by_how_far(
    verdict: ModuleVerdict, code: str, weight: Weight, words: str
) -> None:
    finding = only(with_first(module(1, verdict)))
    assert (finding.code, finding.weight) == (code, weight)
    assert words in finding.summary


def test_readings_that_never_moved_may_be_old_ones() -> None:
    none = replace(module(1, ModuleVerdict.NO_FLOW), lag_k=21.5, moved=False)
    told = only(with_first(none))
    assert told.weight is Weight.FAULT
    assert "its monitor may repeat an old value" in told.summary
    assert "licensed people hold one of its sensors against a thermometer" in told.action
    assert "old value" not in only(with_first(replace(none, moved=True))).summary


@pytest.mark.parametrize(("exchange", "codes"), [(0.74, ["box-late"]), (0.76, [])])
def test_a_box_is_told_that_is_later_than_pipes_explain(exchange: float, codes: list[str]) -> None:
    found = replace(PLAIN, late=(LateBox("BOX2", exchange, 120.0),))
    assert [f.code for f in warm_up_findings(found, LAYOUT)] == codes
    assert "box BOX2 comes 120 s later" in sentence(found)


@pytest.mark.parametrize(("off", "words"), [(-3.0, "3.0 K low"), (3.0, "3.0 K high")])
def test_an_offset_is_told_by_its_side_and_its_sensor(off: float, words: str) -> None:
    told = (SensorOffset(2, off, Interval(off - 0.5, off + 0.5)),)
    finding = only(with_first(replace(MODULES[0], offsets=told)))
    assert finding.code == "sensor-offset"
    assert f"{words} all along (2.5 … 3.5 K)" in finding.summary
    assert finding.where.signal == "T1_2"


def test_the_later_sensor_is_the_one_that_is_named() -> None:
    found = with_first(replace(module(1, ModuleVerdict.DISAGREE), disagree=2))
    assert only(found).where.signal == "T1_2"


@pytest.mark.parametrize(
    ("before", "after", "words", "action"),
    [
        (0.3, 1.0, "air may have cleared", "run the test once more"),
        (1.0, 0.4, "lost flow at about 10:00", "look for an air pocket"),
        (1.0, 0.005, "flow stopped or the sensor is stuck since", "look for an air pocket"),
    ],
)
def test_a_change_of_flow_asks_for_what_fits_it(
    before: float, after: float, words: str, action: str
) -> None:
    changed = module(1, ModuleVerdict.CHANGED)
    finding = only(with_first(replace(changed, change=FlowChange(600.0, before, after))))
    assert finding.code == "module-flow-changed"
    assert words in finding.summary
    assert action in finding.action


@pytest.mark.parametrize(
    ("more", "code"), [({"more_minutes": 5.0}, "test-too-short"), ({}, "test-too-even")]
)
def test_where_nobody_was_judged_the_note_says_whether_time_would_help(
    more: dict[str, float], code: str
) -> None:
    nobody = tuple(module(n, ModuleVerdict.OPEN) for n in range(1, 7))
    found = replace(PLAIN, modules=nobody, **({"more_minutes": None} | more))  # type: ignore[arg-type]
    finding = only(found)
    assert (finding.code, finding.weight) == (code, Weight.NOTE)


def test_modules_that_are_not_alike_are_a_note() -> None:
    assert only(replace(PLAIN, odd=True)).code == "test-peers-too-uneven"


@pytest.mark.parametrize(("behind", "told"), [(1, False), (2, True)])
def test_several_late_modules_may_be_the_many(behind: int, told: bool) -> None:
    late = [module(n, ModuleVerdict.SLOW) for n in range(1, behind + 1)]
    found = replace(PLAIN, modules=(*late, *MODULES[behind:]))
    assert any("starved majority" in c for c in cautions(found)) is told
    # Two of sixteen are few.
    more = tuple(module(n) for n in range(7, 17))
    many = replace(found, modules=(*found.modules, *more))
    assert not any("starved majority" in c for c in cautions(many))


def test_chances_and_open_ends_are_told_no_finer_than_they_are_known() -> None:
    for chance, words in ((0.99, "over 0.9"), (0.9, "0.9"), (0.3, "0.3"), (0.04, "under 0.1")):
        found = replace(PLAIN, power=(Power(0.6, chance),))
        assert f"half of its flow (exchange 60 %) with probability {words};" in power_text(found)
    assert power_text(PLAIN) == ""
    assert exchange_text(1.1, Interval(0.9, 1.55)) == "110 % (90 … 155 %)"
    assert exchange_text(nan, UNKNOWN) == "-"


@pytest.mark.parametrize(("amps", "loaded"), [(39.0, False), (41.0, True), (nan, False)])
def test_cells_that_carry_forty_amperes_warm_themselves(amps: float, loaded: bool) -> None:
    assert replace(PLAIN, current_a=amps).loaded is loaded
