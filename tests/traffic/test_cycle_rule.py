"""Cycles held against what is stated: each bound from both sides, in measure and on screens alike.

The bounds are those of the bench (common practice, no source).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.vehicles import stream

from busplan.findings import Weight
from busplan.traffic.cycle_rule import (
    MOST_GAPS,
    CycleFault,
    cycle_findings,
    fault_of,
    sampled_cycle,
)
from busplan.traffic.cycles import measured_cycle

MS = 1_000_000


def times(gaps_ms: list[float]) -> np.ndarray:
    return np.cumsum([0, *(round(gap * MS) for gap in gaps_ms)])


@pytest.mark.parametrize(
    ("gaps_ms", "fault"),
    [
        ([109.9] * 3, None),
        ([110.1] * 3, CycleFault.SLOW),
        ([90.0] * 3, None),
        ([89.9] * 3, CycleFault.FAST),
        ([500.0] * 2, None),  # two distances are not sure
        ([500.0] * 50, CycleFault.SLOW),
        ([*[100.0] * 30, 300.0, *[100.0] * 30], None),  # one lost frame is no other cycle
        ([50.0, 150.0] * 50, None),
        ([49.0, 151.0] * 51, CycleFault.UNEVEN),
        ([49.0, 151.0] * 49, None),  # too few to part a lost frame from jitter
    ],
)
def test_bounds_of_a_cyclic_message(gaps_ms: list[float], fault: CycleFault | None) -> None:
    assert fault_of(stream(0x100, cycle_ms=100), measured_cycle(times(gaps_ms))) is fault


@pytest.mark.parametrize(("gap_ms", "fault"), [(90.0, None), (89.9, CycleFault.CLOSE), (5e4, None)])
def test_an_event_only_has_a_least_distance(gap_ms: float, fault: CycleFault | None) -> None:
    event = stream(0x100, cycle_ms=100, event=True)
    assert fault_of(event, measured_cycle(times([300, gap_ms, 300]))) is fault


def test_the_jitter_of_the_plan_widens_what_is_allowed() -> None:
    wild = measured_cycle(times([30.0, 170.0] * 60))
    assert fault_of(stream(0x100, cycle_ms=100), wild) is CycleFault.UNEVEN
    assert fault_of(stream(0x100, cycle_ms=100, jitter_ms=70), wild) is None
    assert fault_of(stream(0x100, cycle_ms=100, jitter_ms=69), wild) is CycleFault.UNEVEN


def test_nothing_is_said_where_nobody_states_a_cycle_or_too_little_came() -> None:
    assert fault_of(stream(0x100, cycle_ms=None), measured_cycle(times([100] * 9))) is None
    assert fault_of(stream(0x100, cycle_ms=100), None) is None


def test_what_comes_too_fast_may_come_from_two_nodes() -> None:
    sent = stream(0x100, cycle_ms=100)
    (fast,) = cycle_findings([(sent, measured_cycle(times([31.0, 69.0] * 10)))])
    assert fast.code == "cycle-measured-fast"
    assert "a second node sends it" in fast.action
    (slow,) = cycle_findings([(sent, measured_cycle(times([200.0] * 10)))])
    assert "second node" not in slow.action


def test_messages_of_a_node_with_one_fault_are_one_finding() -> None:
    slow = measured_cycle(times([500] * 20))
    cells = [stream(0x100 + i, cycle_ms=100) for i in range(6)]
    good = stream(0x200, cycle_ms=500)
    (finding,) = cycle_findings([*((s, slow) for s in cells), (good, slow)])
    assert finding.code == "cycle-measured-slow"
    assert finding.weight is Weight.CAUTION
    assert "6 messages" in finding.summary
    assert "every 500 ms instead of 100 ms" in finding.summary
    assert "2 more" in finding.summary
    assert [f.value for f in finding.figures] == [500.0, 100.0, 6]
    (rare,) = cycle_findings([(cells[0], measured_cycle(times([20_003] * 20)))])
    assert "every 20000 ms instead of 100 ms" in rare.summary


@given(st.integers(1, 3 * MOST_GAPS), st.floats(1.0, 50.0), st.integers(0, 2**31))
def test_a_long_capture_is_sampled_without_changing_its_median(
    gaps: int, period_ms: float, seed: int
) -> None:
    steps = np.random.default_rng(seed).normal(period_ms, period_ms / 100, gaps)
    all_of = times(steps.tolist())
    some, whole = sampled_cycle(all_of), measured_cycle(all_of)
    assert some is not None
    assert whole is not None
    assert some.frames == min(gaps, MOST_GAPS) + 1
    assert some.median_ns == pytest.approx(whole.median_ns, rel=0.005)
