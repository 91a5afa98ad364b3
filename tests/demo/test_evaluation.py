"""The pack evaluation on the demo's captures: it finds what is planted and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from busplan.answers import Answer
from busplan.demo.captures import demo_vehicle, make_capture
from busplan.demo.contactors import EARLY_SHARE, PRE_CHARGE_TIME_S
from busplan.demo.thermal import LAZY_MODULE, MODULES, make_loop
from busplan.findings import Weight
from busplan.pack.pull import pull_series
from busplan.pack.report import evaluate_pack

PLANTED = {
    "warm-up": {"module-slow": "C2", "sensor-stuck": "D1"},
    "drive": {"cell-resistance-high": "Cell 53", "monitor-silent": "monitor_b"},
    "charge": {"cell-first-to-top": "Cell 17"},
    "key-on-welded": {"contactor-welded": "while all contactors were told open"},
    "key-on-early": {"pre-charge-incomplete": "with the link at 40% to 4"},
}


@pytest.mark.parametrize("name", PLANTED)
@pytest.mark.parametrize("healthy", [False, True], ids=["planted", "healthy"])
def test_evaluation_names_what_is_planted_and_nothing_else(name: str, healthy: bool) -> None:
    vehicle = demo_vehicle()
    assert vehicle.pack is not None
    frames = make_capture(name, healthy=healthy)
    report = evaluate_pack(pull_series(frames, vehicle), vehicle.pack)
    heavy = {f.code: f.summary for f in report.findings if f.weight > Weight.NOTE}
    expected = {} if healthy else PLANTED[name]
    assert set(heavy) == set(expected)
    for code, culprit in expected.items():
        assert culprit in heavy[code]
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
        assert high - low < 0.25


KEYED = ("contactors", "link while open", "link while closed", "insulation", "current at zero")


def test_a_key_on_in_order_is_good_and_its_figures_hold() -> None:
    vehicle = demo_vehicle()
    assert vehicle.pack is not None
    report = evaluate_pack(pull_series(make_capture("key-on"), vehicle), vehicle.pack)
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
    report = evaluate_pack(pull_series(make_capture("key-on-early"), vehicle), vehicle.pack)
    check = next(c for c in report.checks if c.name == "contactors")
    assert check.answer is Answer.BAD
    assert 100 * EARLY_SHARE in check.figures[0].interval
    (finding,) = report.findings
    assert finding.weight is Weight.FAULT
