"""By how much a cycle has to drift to be seen, and that the record says so."""

from dataclasses import replace

import pytest
from support.bench_nodes import Bench, good_unit

from busplan.bench.node_report import BenchReport
from busplan.bench.record import BenchRecord, facts


def drifting(by: float, seconds: float = 20.0) -> BenchReport:
    """The good unit without jitter, whose status comes more and more slowly: ``by`` in the end."""
    bench = Bench(good_unit(jitter_ms=0.0))
    slow = [
        replace(r, time_ns=round(r.time_ns * (1 + by * r.time_ns / (2e9 * seconds))))
        if r.identifier == 0x120
        else r
        for r in bench.rows(seconds)
    ]
    return bench.judge([r for r in slow if r.time_ns < seconds * 1e9], seconds=seconds)


@pytest.mark.parametrize("seconds", [15.0, 60.0])
def test_a_drift_is_told_from_what_the_record_says_it_takes(seconds: float) -> None:
    """Between the middles of the first and the last 20 distances lies part of the whole drift."""
    frames = round(10 * seconds)
    part = 1 - 20 / frames
    shown = [m.drift_shown for m in drifting(0.0, seconds).messages]
    assert shown[0] == pytest.approx(0.05)
    for share, told in ((0.9, False), (1.1, True)):
        report = drifting(share * 0.05 / part, seconds)
        assert ("cycle-drifts" in [f.code for f in report.findings]) is told


def test_the_record_says_of_which_messages_no_drift_could_be_seen() -> None:
    """61 frames of each are needed: 20 s hold 20 of the heartbeat's, one a second."""
    told = dict(facts(BenchRecord(drifting(0.0))))["would have shown"]
    assert "a cycle that drifts by 5 % within these 19.8 s" in told
    assert told.endswith(
        "a slower drift takes a longer test; of UnitHeartbeat none, with too few frames for it"
    )
    short = dict(facts(BenchRecord(drifting(0.0, 5.0))))["would have shown"]
    assert short.endswith("no drift of a cycle: that takes 61 frames of a message")
