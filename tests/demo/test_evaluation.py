"""The pack evaluation on the demo's captures: it finds what is planted and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from support.demo_files import made

from busplan.answers import Answer
from busplan.demo.captures import CAPTURES, demo_vehicle
from busplan.demo.contactors import EARLY_SHARE, PRE_CHARGE_TIME_S
from busplan.demo.thermal import AIR_CLEARS_S, LAZY_MODULE, MODULES, make_loop
from busplan.findings import Weight
from busplan.pack.kinds import PackTest
from busplan.pack.pull import pull_series
from busplan.pack.report import evaluate_pack
from busplan.pack.whole import judge_whole

PLANTED = {
    "warm-up": {"module-slow": "C2", "sensor-stuck": "D1"},
    "drive": {"cell-resistance-high": "Cell 53", "monitor-silent": "monitor_b"},
    "charge": {"cell-first-to-top": "Cell 17"},
    "gun-warm-up": {"module-flow-changed": "C2"},
    "gun-warm-up-early": {},
    "rest": {"cell-self-discharge": "Cell 71"},
    "key-on": {},
    "key-on-welded": {"contactor-welded": "while all contactors were told open"},
    "key-on-early": {"pre-charge-incomplete": "with the link at 40 % to 4"},
}


@pytest.mark.parametrize("name", PLANTED)
@pytest.mark.parametrize("healthy", [False, True], ids=["planted", "healthy"])
def test_evaluation_names_what_is_planted_and_nothing_else(name: str, healthy: bool) -> None:
    vehicle = demo_vehicle(CAPTURES[name].plan)
    assert vehicle.pack is not None
    frames = made(name, healthy=healthy)
    report = evaluate_pack(pull_series(frames, vehicle), vehicle.pack)
    # What was done is seen in the signals: a rest is no warm-up, nor the reverse.
    assert report.test is next(t for t in PackTest if t.value in name)
    whole = judge_whole(report)
    heavy = {f.code: f.summary for f in report.findings if f.weight > Weight.NOTE}
    expected = {} if healthy else PLANTED[name]
    assert set(heavy) == set(expected)
    for code, culprit in expected.items():
        assert culprit in heavy[code]
    if name == "gun-warm-up-early":
        assert whole.answer is Answer.NOT_SHOWN
        assert "Not shown: a long enough span (240 of 300 s) and warm-up." in whole.headline
    elif expected:
        assert whole.headline.startswith("Not all right: 1 ") or len(expected) > 1
    else:
        assert whole.headline == "All right, as far as this capture shows."
    if name == "warm-up" and not healthy:
        slow = next(f for f in report.findings if f.code == "module-slow")
        stated = {f.name: float(f.value) for f in slow.figures}
        # Exchange goes with the conductance of the branch, which falls less than the flow in it.
        loop = make_loop(1, start_c=14.0, air_c=14.0, target_c=40.0, lazy=True)
        conductance = loop.conductance_w_k
        lazy = MODULES.index(LAZY_MODULE)
        truth = conductance[lazy] / np.median(np.delete(conductance, lazy))
        low, high = stated["exchange, at least"], stated["exchange, at most"]
        assert low <= truth <= high
        assert high - low < 0.28


def test_air_that_clears_is_told_with_its_time_and_what_flowed_before() -> None:
    vehicle = demo_vehicle("asleep")
    assert vehicle.pack is not None
    report = evaluate_pack(pull_series(made("gun-warm-up"), vehicle), vehicle.pack)
    assert report.warm_up is not None
    (changed,) = [m for m in report.warm_up.modules if m.change is not None]
    change = changed.change
    assert changed.module == LAZY_MODULE
    assert change is not None
    assert change.time_s == pytest.approx(AIR_CLEARS_S, abs=120.0)
    loop = make_loop(1, start_c=14.0, air_c=13.0, target_c=0.0, lazy=True)
    conductance = loop.conductance_w_k
    lazy = MODULES.index(LAZY_MODULE)
    truth = conductance[lazy] / np.median(np.delete(conductance, lazy))
    assert change.before == pytest.approx(truth, abs=0.1)
    assert change.after >= 0.85
    assert [m.answer for m in report.warm_up.modules].count(Answer.GOOD) == len(MODULES) - 1


KEYED = ("contactors", "link while open", "link while closed", "insulation", "current at zero")


def test_a_key_on_in_order_is_good_and_its_figures_hold() -> None:
    vehicle = demo_vehicle()
    assert vehicle.pack is not None
    report = evaluate_pack(pull_series(made("key-on"), vehicle), vehicle.pack)
    assert report.findings == ()
    checks = {c.name: c for c in report.checks}
    assert {name: checks[name].answer for name in KEYED} == dict.fromkeys(KEYED, Answer.GOOD)
    assert checks["opening without load"].answer is Answer.NOT_SHOWN
    share, constant = checks["contactors"].figures
    # Three seconds of pre-charge: 1 - exp(-3/0.55).
    assert 100 * (1 - np.exp(-3.0 / PRE_CHARGE_TIME_S)) in share.interval
    assert PRE_CHARGE_TIME_S in constant.interval


def test_a_key_on_that_closes_early_is_bounded_round_the_truth() -> None:
    vehicle = demo_vehicle()
    assert vehicle.pack is not None
    report = evaluate_pack(pull_series(made("key-on-early"), vehicle), vehicle.pack)
    check = next(c for c in report.checks if c.name == "contactors")
    assert check.answer is Answer.BAD
    assert 100 * EARLY_SHARE in check.figures[0].interval
    (finding,) = report.findings
    assert finding.weight is Weight.FAULT
