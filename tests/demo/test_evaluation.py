"""The pack evaluation on the demo's captures: it finds what is planted and nothing else."""

from __future__ import annotations

import pytest

from busplan.demo.captures import demo_vehicle, make_capture
from busplan.findings import Weight
from busplan.pack.pull import pull_series
from busplan.pack.report import evaluate_pack

PLANTED = {
    "warm-up": {"module-slow": "C2", "sensor-stuck": "D1"},
    "drive": {"cell-resistance-high": "Cell 53", "monitor-silent": "monitor_b"},
    "charge": {"cell-first-to-top": "Cell 17"},
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
