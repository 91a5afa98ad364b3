"""The replay clock with a clock of our own: it never drifts and knows how far it is behind."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplan.replay.clock import SPEEDS, ReplayClock

SECOND = 1_000_000_000


class FakeNow:
    def __init__(self) -> None:
        self.ns = 77

    def __call__(self) -> int:
        return self.ns


def clock(span_s: float = 100) -> tuple[ReplayClock, FakeNow]:
    now = FakeNow()
    return ReplayClock(round(span_s * SECOND), now=now), now


def test_it_stands_until_played_and_then_follows_the_monotonic_clock() -> None:
    c, now = clock()
    now.ns += 5 * SECOND
    assert (c.position_ns, c.playing) == (0, False)
    c.play()
    now.ns += 3 * SECOND
    assert c.position_ns == 3 * SECOND
    c.pause()
    now.ns += 9 * SECOND
    assert c.position_ns == 3 * SECOND


def test_it_stops_at_the_end_and_starts_over() -> None:
    c, now = clock(2)
    c.play()
    now.ns += 5 * SECOND
    assert (c.position_ns, c.playing) == (2 * SECOND, False)
    c.play()
    now.ns += SECOND
    assert (c.position_ns, c.playing) == (SECOND, True)


@settings(max_examples=50)
@given(st.lists(st.tuples(st.integers(1, 40_000_000), st.sampled_from(SPEEDS)), max_size=60))
def test_a_change_of_speed_loses_no_time(steps: list[tuple[int, float]]) -> None:
    """However often the screen asks, the position is the sum of real time times speed."""
    c, now = clock(10_000)
    c.play()
    expected = 0.0
    for passed, speed in steps:
        c.set_speed(speed)
        now.ns += passed // 2
        assert c.position_ns >= 0
        now.ns += passed - passed // 2
        expected += passed * speed
    assert c.position_ns == pytest.approx(expected, abs=len(steps) + 1)


def test_lag_is_what_the_shown_moment_is_behind_in_real_time() -> None:
    c, now = clock()
    c.set_speed(10)
    c.play()
    shown = c.position_ns
    now.ns += SECOND // 10
    assert c.behind_ns(shown) == SECOND // 10
    c.pause()
    assert c.behind_ns(shown) == 0


def test_seeking_and_stepping_stay_within_the_capture() -> None:
    c, now = clock(10)
    c.seek(-5)
    assert c.position_ns == 0
    c.play()
    c.seek(4 * SECOND)
    now.ns += SECOND
    assert c.position_ns == 5 * SECOND
    c.step(-SECOND)
    assert (c.position_ns, c.playing) == (4 * SECOND, False)
    c.step(99 * SECOND)
    assert c.position_ns == 10 * SECOND


def test_speeds_go_up_and_down_in_steps_within_bounds() -> None:
    c, _ = clock()
    for _ in range(20):
        c.faster()
    assert c.speed == 100
    for _ in range(20):
        c.slower()
    assert c.speed == 0.1
