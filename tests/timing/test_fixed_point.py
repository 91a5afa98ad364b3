"""The fixed points on plain integers: published answers, and a slow exact twin."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from support.reference import reference_values
from support.slow_timing import instances_of

from busplan.timing import compiled_fixed_point, fixed_point
from busplan.timing.fixed_point import UNBOUNDED, priority_responses

HORIZON = 10**6
MS = 10**6


def solve(frame, period, jitter, bit, fault_every=0, fault_cost=0, fast=False):
    n = len(frame)
    results = [[0] * n for _ in range(3)]
    columns = [
        list(range(1, n + 1)),
        frame,
        frame,
        period,
        jitter,
        [0] * n,
        period,
        [0] * n,
        [False] * n,
        [False] * n,
        [0],
        *[[] for _ in range(6)],
    ]
    function = priority_responses
    if fast:
        function = compiled_fixed_point.priority_responses
        columns = [np.array(c, None if c else np.int64) for c in columns]
        results = [np.array(r) for r in results]
    horizon = HORIZON * (MS if max(frame) > 1000 else 1)
    function(*columns, bit, fault_every, fault_cost, horizon, False, *results)
    return [[int(x) for x in r] for r in results]


@pytest.mark.parametrize("fast", [False, True])
def test_three_messages_show_why_every_instance_counts(fast: bool) -> None:
    # Davis et al. 2007, section 3.3 (inputs from memory; results computed by two independent
    # programs). The analysis of 1994/95 looks at the first instance only, answers 3.0 for the third
    # message and calls the set schedulable: that answer fails here.
    case = reference_values()["davis_three_message"]
    frame = [round(c * MS) for c in case["C"]]
    period = [round(t * MS) for t in case["T"]]
    response, instance, _ = solve(frame, period, [0, 0, 0], 1, fast=fast)
    assert response == [round(r * MS) for r in case["R"]] == [2_000_000, 3_000_000, 3_500_000]
    assert instance == [0, 0, 1]
    assert response[2] > round(case["D"][2] * MS)
    assert case["R_1994"][2] * MS < response[2]


@pytest.mark.parametrize("fast", [False, True])
def test_a_load_above_one_is_unbounded_only_where_it_is_felt(fast: bool) -> None:
    response, _, _ = solve([300, 300, 300], [1000, 1000, 500], [0, 0, 0], 1, fast=fast)
    assert response == [600, 900, UNBOUNDED]


def test_a_load_of_exactly_one_never_ends_once_something_has_delayed_it() -> None:
    assert solve([500, 500, 1], [1000, 1000, 10**9], [0] * 3, 1)[0][:2] == [1000, UNBOUNDED]


def test_a_load_of_exactly_one_never_ends_with_jitter() -> None:
    assert solve([500, 500], [1000, 1000], [0, 1], 1)[0] == [1000, UNBOUNDED]


def test_a_load_of_exactly_one_ends_when_nothing_delays_it() -> None:
    assert solve([500, 500], [1000, 1000], [0, 0], 1)[0] == [1000, 1000]


@st.composite
def message_sets(draw: st.DrawFn):
    n = draw(st.integers(1, 7))
    frame = [draw(st.integers(1, 40)) for _ in range(n)]
    period = [draw(st.integers(20, 300)) for _ in range(n)]
    jitter = [draw(st.sampled_from([0, 0, 1, 17, 400])) for _ in range(n)]
    fault_every = draw(st.sampled_from([0, 0, 211, 900]))
    # Close to a load of one the busy period can outlast any test.
    load = 0.0
    for m in range(n):
        load += frame[m] / period[m]
        faults = (31 + max(frame[: m + 1])) / fault_every if fault_every else 0
        assume(not 0.95 < load + faults < 1)
    return frame, period, jitter, draw(st.integers(1, 3)), fault_every


@pytest.mark.parametrize("fast", [False, True])
@given(case=message_sets())
@settings(max_examples=150)
def test_both_forms_agree_with_the_slow_exact_twin(fast: bool, case) -> None:
    frame, period, jitter, bit, fault_every = case
    response, worst, _ = solve(frame, period, jitter, bit, fault_every, 31, fast)
    exact = [[Fraction(x) for x in column] for column in (frame, period, jitter)]
    faults = Fraction(fault_every) if fault_every else None
    for m in range(len(frame)):
        expected = instances_of(m, *exact, Fraction(bit), faults, Fraction(31))
        if expected is None:
            # At a load of exactly one the busy period may still end when nothing delays its start.
            exactly_one = sum(c / t for c, t in zip(exact[0][: m + 1], exact[1], strict=False)) == 1
            assert response[m] == UNBOUNDED or exactly_one
        else:
            assert response[m] == max(expected)
            assert worst[m] == expected.index(max(expected))


@given(case=message_sets())
@settings(max_examples=60)
def test_a_queue_of_one_message_is_a_queue_by_priority(case) -> None:
    frame, period, jitter, bit, fault_every = case
    n = len(frame)
    response = solve(frame, period, jitter, bit, fault_every, 31)[0]
    for m in range(n):
        member = [k == m for k in range(n)]
        columns = (list(range(1, n + 1)), frame, frame, period, jitter, [0] * n)
        delay, _ = fixed_point.fifo_delay(member, *columns, bit, fault_every, 31, HORIZON)
        if response[m] == UNBOUNDED:
            assert delay == UNBOUNDED
        else:
            # With jitter the queue's one delay counts every frame that can have gathered.
            assert delay + frame[m] + jitter[m] >= response[m]
            assert jitter[m] or delay + frame[m] == response[m]
