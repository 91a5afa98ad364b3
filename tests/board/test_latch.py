"""The rule of one alarm against the same rule applied sample by sample, and fed in pieces."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.slow_alarms import changes

from busplan.board.latch import Latch
from busplan.board.limits import Limit
from busplan.findings import Weight
from busplan.replay.track import Track

MS = 1_000_000


def series(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Times 20 to 400 ms apart and a wandering value with gaps and holes."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(0, 120))
    gaps = rng.integers(20, 400, n)
    gaps[rng.random(n) < 0.05] = 3000
    value = np.cumsum(rng.normal(0, 1.0, n)) + rng.normal(0, 0.5, n)
    value[rng.random(n) < 0.06] = np.nan
    return np.cumsum(gaps).astype(np.int64) * MS, np.round(value, 1)


def states(limit: float, margin: float, times: np.ndarray, value: np.ndarray) -> np.ndarray:
    one = Limit("x", Weight.FAULT, above=True, value=limit, back_by=margin)
    return one.states(Track("x", "", times, value, 1e9), times, value)


@settings(max_examples=150)
@given(st.integers(0, 10**6), st.sampled_from([0, 150, 700]), st.sampled_from([0, 300, 2000]))
def test_the_rule_is_that_of_the_twin(seed: int, for_ms: int, clear_ms: int) -> None:
    times, value = series(seed)
    until = int(times[-1]) + 5000 * MS if len(times) else 0
    latch = Latch(for_ms * MS, clear_ms * MS)
    got = latch.feed(times, states(0.5, 0.4, times, value), 1000.0 * MS, until)
    slow = changes(
        times.tolist(), value.tolist(), 0.5, 0.4, for_ms * MS, clear_ms * MS, 1000 * MS, until
    )
    assert [(c.at_ns, c.raised) for c in got] == slow


@settings(max_examples=80)
@given(st.integers(0, 10**6), st.lists(st.floats(0, 1), min_size=1, max_size=5))
def test_pieces_give_what_the_whole_gives(seed: int, cuts: list[float]) -> None:
    times, value = series(seed)
    if not len(times):
        return
    until = int(times[-1]) + 5000 * MS
    whole = Latch(300 * MS, 900 * MS)
    state = states(0.5, 0.4, times, value)
    expected = whole.feed(times, state, 1000.0 * MS, until)
    pieces, got, begin = Latch(300 * MS, 900 * MS), [], 0
    for upto in [*sorted(int(c * until) for c in cuts), until]:
        end = int(np.searchsorted(times, upto, "right"))
        got += pieces.feed(times[begin:end], state[begin:end], 1000.0 * MS, upto)
        begin = end
    assert got == expected
    assert pieces.raised == whole.raised


def test_an_excursion_shorter_than_its_time_is_no_alarm_and_a_longer_one_is_late_by_it() -> None:
    times = np.arange(0, 60_000, 100, dtype=np.int64) * MS
    value = np.zeros(len(times))
    value[100:109] = 9.0  # 0.9 s from 10 s on
    value[200:215] = 9.0  # 1.5 s from 20 s on
    latch = Latch(1000 * MS, 5000 * MS)
    got = latch.feed(times, states(5.0, 1.0, times, value), 250.0 * MS, int(times[-1]))
    assert [(c.at_ns / 1e9, c.raised, c.since_ns / 1e9) for c in got] == [
        (21.0, True, 20.0),
        (26.5, False, 21.5),
    ]


@pytest.mark.parametrize("rule", [(1000, 5000), (300, 5000)])
def test_a_gap_neither_raises_nor_clears(rule: tuple[int, int]) -> None:
    """Beyond, then nothing for a minute: the alarm that stands goes on standing."""
    times = np.concatenate([np.arange(0, 3000, 100), np.arange(63_000, 64_000, 100)])
    times = times.astype(np.int64) * MS
    value = np.full(len(times), 9.0)
    value[30:] = 0.0
    latch = Latch(rule[0] * MS, rule[1] * MS)
    got = latch.feed(times, states(5.0, 1.0, times, value), 250.0 * MS, int(times[-1]))
    assert [c.raised for c in got] == [True]
    short = Latch(4000 * MS, 5000 * MS)
    assert not short.feed(times, states(5.0, 1.0, times, value), 250.0 * MS, int(times[-1]))


def test_noise_below_the_limit_raises_nothing_with_delay_and_margin() -> None:
    """White noise one sigma below the limit, 10 Hz: no alarm in two hours with 2 sigma and 1 s."""
    rng = np.random.default_rng(3)
    times = np.arange(72_000, dtype=np.int64) * 100 * MS
    value = rng.normal(-1.0, 1.0, len(times))
    plain, ours = Latch(0, 0), Latch(1000 * MS, 5000 * MS)
    assert len(plain.feed(times, states(0.0, 0.0, times, value), 1e9, int(times[-1]))) > 1000
    assert not ours.feed(times, states(0.0, 2.0, times, value), 1e9, int(times[-1]))
