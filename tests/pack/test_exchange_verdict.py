"""The rule of the warm-up: from a likelihood to interval and verdict; each bound held by a case."""

from __future__ import annotations

import numpy as np
import pytest

from busplan.pack import exchange_verdict as rule
from busplan.pack.exchange import SHARES, TAU_S
from busplan.pack.exchange_verdict import PeerScatter, combine, differing, judge, relative

FLAT = np.zeros(len(TAU_S))
PEERS = PeerScatter(natural=0.05, blur=0.0, peers=15)


def told(mean: float, sd: float) -> np.ndarray:
    """Log likelihood of a normal figure, the same for every tau_p."""
    return np.tile(-0.5 * ((SHARES - mean) / sd) ** 2, (len(TAU_S), 1))


def test_the_interval_is_that_of_the_normal_distribution() -> None:
    # 1.960 standard deviations to each side hold 95 % (table of the normal distribution).
    found = judge(told(1.0, 0.1), FLAT, PEERS)
    assert found.value == pytest.approx(1.0, abs=0.01)
    assert found.interval.low == pytest.approx(1 - 0.196, abs=0.012)
    assert found.interval.high == pytest.approx(1 + 0.196, abs=0.012)
    blurred = judge(told(1.0, 0.1), FLAT, PeerScatter(0.05, 0.1, 15))
    assert blurred.interval.low == pytest.approx(1 - 1.96 * 0.1 * 2**0.5, abs=0.035)


def test_a_low_exchange_may_be_higher_or_lower_by_a_part_of_what_lacks() -> None:
    found = judge(told(0.4, 0.05), FLAT, PEERS)
    plain = 0.4 + 0.098
    assert found.interval.high == pytest.approx(plain + 0.2 * (1 - plain), abs=0.012)
    plain = 0.4 - 0.098
    assert found.interval.low == pytest.approx(plain * (1 - 0.15 * (1 - plain)), abs=0.012)


@pytest.mark.parametrize(
    ("mean", "sd", "slow", "clear"),
    [
        (0.60, 0.05, True, False),
        (0.74, 0.005, True, False),  # a peer of scatter 0.05 lies there once in 10^9
        (0.78, 0.005, False, True),
        (0.66, 0.08, False, False),  # flat: P(e < 0.75) = 0.87
        (0.60, 0.14, False, False),
        (1.00, 0.10, False, True),
        (0.90, 0.15, False, False),  # the interval begins at 0.61
        (0.85, 0.06, False, False),  # even odds do not suffice
        (0.90, 0.05, False, True),
        (0.80, 0.08, False, False),  # begins at 0.64
        (0.95, 0.14, False, True),  # begins at 0.673
        (1.00, 0.18, False, False),  # begins at 0.644
    ],
)
def test_slow_and_clear(mean: float, sd: float, slow: bool, clear: bool) -> None:
    found = judge(told(mean, sd), FLAT, PEERS)
    assert (found.slow, found.clear) == (slow, clear)
    assert not found.no_flow


def test_peers_that_scatter_make_nobody_slow_by_what_is_usual() -> None:
    assert judge(told(0.66, 0.045), FLAT, PEERS).slow
    assert not judge(told(0.66, 0.045), FLAT, PeerScatter(0.25, 0.0, 15)).slow


def test_less_than_015_is_not_told_apart() -> None:
    found = judge(told(0.05, 0.02), FLAT, PEERS)
    assert found.no_flow
    assert found.interval.low == 0.0
    assert found.interval.high >= 0.15
    assert judge(told(0.11, 0.02), FLAT, PEERS).no_flow
    assert not judge(told(0.16, 0.02), FLAT, PEERS).no_flow


def test_the_lag_is_the_difference_of_the_time_constants() -> None:
    one = np.where(np.arange(len(TAU_S)) == 5, 0.0, -1e9)
    found = judge(told(0.5, 0.02), one, PEERS)
    assert found.lag_s == pytest.approx(TAU_S[5] * (1 / 0.5 - 1), rel=0.05)
    assert found.lag.low < found.lag_s < found.lag.high


def test_a_second_sensor_counts_for_two_thirds_and_differing_ones_are_mixed() -> None:
    same = np.array([told(0.9, 0.1), told(0.9, 0.1)])
    assert differing(same, FLAT) is None
    assert combine(same, FLAT) == pytest.approx(told(0.9, 0.1) * 2 / 1.5)
    apart = np.array([told(0.4, 0.03), told(0.9, 0.03)])
    assert differing(apart, FLAT) == (0, 1)
    both = judge(combine(apart, FLAT), FLAT, PEERS)
    assert both.interval.low < 0.4
    assert both.interval.high > 0.9
    # 4 of hypot(0.02, 0.02, 0.06), by which sound sensors of a module may differ, are 0.265.
    assert differing(np.array([told(0.65, 0.02), told(0.90, 0.02)]), FLAT) is None
    assert differing(np.array([told(0.62, 0.02), told(0.90, 0.02)]), FLAT) == (0, 1)
    near = np.array([told(0.80, 0.03), told(0.90, 0.03)])
    assert differing(near, FLAT) is None
    vague = np.array([told(0.5, 0.1), told(0.9, 0.1)])
    assert differing(vague, FLAT) is None
    # From 2.5 deviations on either may be right alone: no compromise of 0.7.
    assert differing(vague, FLAT, 2.5) == (0, 1)
    either = judge(combine(vague, FLAT), FLAT, PEERS).interval
    assert either.low < 0.4
    assert either.high > 1.0
    both_likely = np.array([told(0.58, 0.1), told(0.9, 0.1)])
    assert combine(both_likely, FLAT) == pytest.approx(both_likely.sum(axis=0) / 1.5)


def test_slow_needs_the_odds_and_the_flat_probability() -> None:
    # P(e < 0.75) of N(0.63, s) is 0.88 at s = 0.12/1.175 (table of the normal distribution).
    assert judge(told(0.63, 0.098), FLAT, PEERS).slow
    assert not judge(told(0.63, 0.106), FLAT, PEERS).slow
    sure = judge(told(0.68, 0.04), FLAT, PEERS)
    assert sure.flat_sure > 0.95
    assert sure.slow_odds > 30.0
    # Where cells warm themselves or the start is not level, more must speak for it.
    doubtful = judge(told(0.63, 0.079), FLAT, PEERS, needed=rule.DOUBTFUL)
    assert judge(told(0.63, 0.079), FLAT, PEERS).slow
    assert not doubtful.slow
    assert judge(told(0.55, 0.07), FLAT, PEERS, needed=rule.DOUBTFUL).slow
    # There the odds must pass 360: they are 389 where peers scatter by 0.084, 319 by 0.086.
    assert judge(told(0.66, 0.05), FLAT, PeerScatter(0.084, 0.0, 15), needed=rule.DOUBTFUL).slow
    assert not judge(told(0.66, 0.05), FLAT, PeerScatter(0.086, 0.0, 15), needed=rule.DOUBTFUL).slow
    # Where peers scatter by 0.09 the odds are 218, by 0.115 36, by 0.12 28.
    assert judge(told(0.66, 0.05), FLAT, PeerScatter(0.115, 0.0, 15)).slow
    assert not judge(told(0.66, 0.05), FLAT, PeerScatter(0.09, 0.0, 15), needed=rule.DOUBTFUL).slow
    assert not judge(told(0.66, 0.05), FLAT, PeerScatter(0.12, 0.0, 15)).slow
    # With a liquid temperature 0.86 is enough (s = 0.12/1.080), and odds of 12: they are 14.6 where
    # peers scatter by 0.135, and 10.2 by 0.145.
    known = rule.LIQUID_KNOWN
    assert judge(told(0.63, 0.106), FLAT, PEERS, needed=known).slow
    assert not judge(told(0.63, 0.117), FLAT, PEERS, needed=known).slow
    assert judge(told(0.66, 0.05), FLAT, PeerScatter(0.135, 0.0, 15), needed=known).slow
    assert not judge(told(0.66, 0.05), FLAT, PeerScatter(0.145, 0.0, 15), needed=known).slow
    # Peers that scatter by 0.2 (ln e) are often as low as that.
    usual = judge(told(0.68, 0.04), FLAT, PeerScatter(0.2, 0.0, 15))
    assert usual.flat_sure > 0.95
    assert usual.slow_odds < 30.0
    assert not usual.slow


def test_the_most_likely_share_lies_between_the_points_of_the_grid() -> None:
    for share in (0.485, 0.603, 1.022):
        assert rule._peak(told(share, 0.05)[0]) == pytest.approx(share, abs=1e-6)


def test_shares_are_taken_relative_to_the_median_peer() -> None:
    moved = relative(np.array([told(0.55, 0.1)]), 1.1)[0]
    assert SHARES[int(np.argmax(moved[0]))] == pytest.approx(0.5, abs=0.03)


def test_peers_own_scatter_is_what_exceeds_their_doubt() -> None:
    rng = np.random.default_rng(2)
    alike = [told(1.0, 0.1)] * 15
    # Flow of sd 8 %, conductance 3 % and mass 2 % make ln e scatter by 0.055 (truth/loop.py).
    agreed = rule.peer_scatter(alike, FLAT)
    assert agreed.natural == pytest.approx(0.05)
    assert agreed.own == pytest.approx(0.1, rel=0.1)
    wide = [told(float(m), 0.03) for m in rng.normal(1.0, 0.15, 15)]
    scatter = rule.peer_scatter(wide, FLAT)
    assert 0.08 < scatter.natural < 0.25
    # 1.25 = sqrt(pi/2): a median is known so much worse than a mean (of normal values).
    own = 0.03
    expected = 1.2533 * np.hypot(scatter.natural, own) / 14**0.5
    assert scatter.blur == pytest.approx(expected, rel=0.05)
    sharp = rule.sharper(scatter, [told(1.0, 0.01)], FLAT)
    assert sharp.blur < scatter.blur
