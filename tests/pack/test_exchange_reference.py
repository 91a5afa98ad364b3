"""The rule of the warm-up against closed forms of the normal distribution, and its edges."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import logsumexp
from scipy.stats import median_abs_deviation, norm

from busplan.answers import Interval
from busplan.pack import exchange_verdict as rule
from busplan.pack.exchange import PeerFit
from busplan.pack.exchange_model import SHARES, TAU_S
from busplan.pack.exchange_verdict import (
    Exchange,
    PeerScatter,
    combine,
    differing,
    judge,
    peer_scatter,
    relative,
    sharper,
)

Array = np.ndarray[Any, np.dtype[Any]]
FLAT = np.zeros(len(TAU_S))
PEERS = PeerScatter(natural=0.07, blur=0.0, peers=15)
ENDS = np.array([-1.959964, 1.959964])
"""Between them lie 95 % of a normal figure (table of the normal distribution)."""


def told(middle: float, sd: float) -> Array:
    """Log likelihood that is normal in ln e, the same for every tau_p."""
    return np.tile(-0.5 * (np.log(SHARES / middle) / sd) ** 2, (len(TAU_S), 1))


def by_tau(*spots: tuple[int, float, float]) -> Array:
    """Log likelihood of ln e that is normal about another share at each tau_p named, else none."""
    surface = np.full((len(TAU_S), len(SHARES)), -1e4)
    for at, middle, sd in spots:
        surface[at] = told(middle, sd)[0]
    return surface


def mixed(share: Callable[[float], float], low: float, high: float) -> Array:
    """2.5 %, 50 % and 97.5 % of a distribution by its share below a value."""
    return np.array([brentq(lambda x, p=p: share(x) - p, low, high) for p in (0.025, 0.5, 0.975)])


@pytest.mark.parametrize(
    ("middle", "sd", "blur", "more"),
    [(1.0, 0.1, 0.0, 0.0), (1.0, 0.08, 0.1, 0.12), (0.9, 0.1, 0.1, 0.0), (0.6, 0.1, 0.05, 0.0),
     (0.5, 0.15, 0.0, 0.0), (0.6, 0.06, 0.1, 0.1)],
)  # fmt: skip
def test_interval_sureness_and_odds_are_those_of_the_normal_distribution(
    middle: float, sd: float, blur: float, more: float
) -> None:
    """With a flat prior of e, ln e of a normal likelihood N(m, s) is N(m + s², s): completing the
    square. Blurs add up as variances do."""
    found = judge(told(middle, sd), FLAT, PeerScatter(0.07, blur, 15), more)
    m, s = np.log(middle), (sd**2 + blur**2 + more**2) ** 0.5
    low, high = np.exp(m + s**2 + ENDS * s)
    high += 0.2 * max(1.0 - high, 0.0)
    if middle < 0.75:
        low *= 1.0 - 0.15 * (1.0 - low)
    assert found.interval.low == pytest.approx(low, abs=0.0045)
    assert found.interval.high == pytest.approx(high, rel=0.01)
    below = float(norm.cdf((np.log(0.75) - m - s**2) / s))
    assert found.flat_sure == pytest.approx(below, abs=0.01)
    wide = (s**2 + 0.07**2) ** 0.5
    slow = s * (2 * np.pi) ** 0.5 * np.exp(m + s**2 / 2) * below / 0.75
    healthy = s / wide * np.exp(-0.5 * (m / wide) ** 2)
    assert found.slow_odds == pytest.approx(slow / healthy, rel=0.08)


def test_where_the_time_constant_decides_the_exchange_both_are_reckoned_with() -> None:
    """Of two tau_p the one makes the module slow, the other sound: a mixture, by its own CDF."""
    surface = by_tau((2, 0.6, 0.05), (7, 1.0, 0.05))
    tau = np.where(np.arange(len(TAU_S)) == 7, np.log(3.0), 0.0)
    # The flat prior counts each by its area, exp(m + s²/2) s.
    weight = np.array([0.6, 3.0])
    weight /= weight.sum()

    def share(e: float) -> float:
        parts = norm.cdf((np.log(e / np.array([0.6, 1.0])) - 0.05**2) / 0.05)
        return float(weight @ parts)

    low, _, high = mixed(share, 0.1, 1.6)
    found = judge(surface, tau, PEERS)
    assert found.value == pytest.approx(1.0, abs=0.015)
    assert found.interval.low == pytest.approx(low, abs=0.006)
    assert found.interval.high == pytest.approx(high, abs=0.006)
    assert found.flat_sure == pytest.approx(weight[0], abs=0.01)


@pytest.mark.parametrize(
    ("middle", "sd", "blur"), [(0.6, 0.2, 0.0), (0.6, 0.2, 0.06), (0.45, 0.15, 0.5)]
)
def test_the_lag_is_that_of_every_time_constant_as_likely_as_it_is(
    middle: float, sd: float, blur: float
) -> None:
    """tau_p (1/e - 1), all tau_p alike but for a hair: a mixture of log-normal lags, by its CDF."""
    m = np.log(middle) + sd**2

    def share(lag: float) -> float:
        return float(np.mean(norm.sf((np.log(1.0 / (1.0 + lag / TAU_S)) - m) / sd)))

    low, half, high = mixed(share, -50.0, 5e3)
    longest = np.where(np.arange(len(TAU_S)) == len(TAU_S) - 1, 1e-3, 0.0)
    found = judge(told(middle, sd), longest, PeerScatter(0.07, blur, 15))
    reach = ENDS[1] * TAU_S[-1] * blur
    assert found.lag_s == pytest.approx(half, rel=0.03)
    doubt = np.hypot(half - low, reach)
    assert found.lag.low == pytest.approx(half - doubt, abs=0.01 * doubt)
    assert found.lag.high == pytest.approx(half + np.hypot(high - half, reach), rel=0.03)


def test_the_lag_holds_how_well_the_peers_are_known_at_the_likeliest_time_constant() -> None:
    surface = by_tau((3, 0.5, 0.04), (8, 0.5, 0.04))
    tau = np.where(np.arange(len(TAU_S)) == 8, 8.0, 0.0)
    lag = judge(surface, tau, PeerScatter(0.07, 0.4, 15)).lag
    reach = ENDS[1] * TAU_S[8] * 0.4
    assert TAU_S[8] - lag.low == pytest.approx(reach, rel=0.1)
    assert lag.high - TAU_S[8] == pytest.approx(reach, rel=0.1)


def test_a_sensor_that_tells_nothing_leaves_all_shares_open() -> None:
    found = judge(np.zeros((len(TAU_S), len(SHARES))), FLAT, PEERS)
    assert found.interval.low == 0.0
    # 97.5 % of 0.004 to 1.65, the shares that are tried.
    assert found.interval.high == pytest.approx(1.609, abs=0.01)
    assert not found.slow
    assert not found.clear


def test_what_has_no_flow_lags_by_more_than_any_test_lasts() -> None:
    found = judge(np.tile(-300.0 * SHARES, (len(TAU_S), 1)), FLAT, PEERS)
    assert found.no_flow
    assert found.lag_s > 1e4


def test_a_likelihood_means_the_same_at_any_level() -> None:
    """Densities have units: only ratios of likelihoods count (any textbook of statistics)."""
    here, there = judge(told(0.7, 0.1), FLAT, PEERS), judge(told(0.7, 0.1) - 900.0, FLAT, PEERS)
    for name in ("interval", "lag"):
        one, other = getattr(here, name), getattr(there, name)
        assert (one.low, one.high) == pytest.approx((other.low, other.high)), name
    assert there.slow_odds == pytest.approx(here.slow_odds)
    apart = np.array([told(0.4, 0.05), told(0.9, 0.05)])
    levels = np.array([-900.0, 0.0])[:, None, None]
    assert differing(apart + levels, FLAT) == differing(apart, FLAT) == (0, 1)
    assert combine(apart + levels, FLAT) == pytest.approx(combine(apart, FLAT))
    lone = [told(1.0, 0.05)] * 4
    moved = peer_scatter([one - 900.0 for one in lone], FLAT)
    assert moved.own == pytest.approx(peer_scatter(lone, FLAT).own)


def exchange(low: float = 0.8, odds: float = 1.0, sure: float = 0.99, value: float = 0.9) -> Any:
    """An exchange of a module, judged in an ordinary test."""
    unknown = Interval(-1.0, 1.0)
    return Exchange(value, Interval(low, 1.2), odds, sure, rule.ORDINARY, 0.0, unknown)


def test_each_bound_is_passed_by_more_and_not_by_as_much() -> None:
    """Odds over 30 and probability over 0.88 are slow, a value under 0.15 then no flow; an interval
    over 0.65 with less than 1:19 for slow is clear (choices of the method, no source)."""
    assert [exchange(odds=x).slow for x in (29.5, 30.0, 30.5)] == [False, False, True]
    assert [exchange(odds=99.0, sure=x).slow for x in (0.879, 0.88, 0.881)] == [False, False, True]
    assert [exchange(odds=99.0, value=x).no_flow for x in (0.149, 0.15, 0.151)] == [True] + 2 * [
        False
    ]
    assert [exchange(low=x, odds=0.01).clear for x in (0.649, 0.65, 0.651)] == [False, False, True]
    assert [exchange(odds=x / 19).clear for x in (0.98, 1.02)] == [True, False]
    assert [exchange(odds=x).slow_even for x in (0.0, 1.0, 3.0)] == [0.0, 0.5, 0.75]
    assert rule.ORDINARY == (30.0, 0.88)
    assert rule.LIQUID_KNOWN == (12.0, 0.86)
    assert rule.DOUBTFUL == (360.0, 0.95)


def fit(*peaks: float, peers: tuple[bool, ...] = (), tau: Array = FLAT) -> PeerFit:
    """A group whose sensors are most likely at ``peaks`` where tau_p is the fifth, else at 0.5."""
    surfaces = np.array([by_tau((1, 0.5, 0.05), (4, p, 0.05)) for p in peaks])
    none = np.empty(0)
    return PeerFit(
        members=np.arange(len(peaks)),
        peers=np.array(peers or [True] * len(peaks)),
        curve=none,
        step_s=5.0,
        likelihood=surfaces.reshape(len(peaks), len(TAU_S), len(SHARES)),
        tau=tau,
        best=np.array(peaks),
        offset_k=none,
        misfit=none,
        sd=none,
        noise=1.0,
        stages=1,
    )


FIFTH = np.where(np.arange(len(TAU_S)) == 4, 0.0, -50.0)


def test_shares_are_read_against_the_median_of_the_peers_alone() -> None:
    assert rule.middle_of(fit(0.9, 1.0, 1.4, tau=FIFTH)) == pytest.approx(1.0, abs=0.01)
    one_out = fit(0.9, 1.0, 1.4, peers=(True, False, False), tau=FIFTH)
    assert rule.middle_of(one_out) == pytest.approx(0.9, abs=0.01)
    nobody = fit(0.9, 1.1, peers=(False, False), tau=FIFTH)
    assert rule.middle_of(nobody) == 1.0
    both = relative(np.array([told(0.55, 0.05), told(1.1, 0.05)]), 1.1)
    assert both.shape == (2, len(TAU_S), len(SHARES))
    assert judge(both[1], FLAT, PEERS).value == pytest.approx(1.0, abs=0.015)


def test_sensors_are_held_together_at_the_time_constant_that_suits_them_all() -> None:
    """One knob, tau_p, is common to a module's sensors: they agree if they do at the likeliest."""
    agree, contradict = by_tau((2, 0.7, 0.03)), by_tau((6, 0.4, 0.03))
    other = by_tau((2, 0.7, 0.03), (6, 1.0, 0.03))
    second = np.array([np.logaddexp(agree, contradict), other])
    for at, answer in ((2, None), (6, (0, 1))):
        weight = np.where(np.arange(len(TAU_S)) == at, 0.0, -5e3)
        assert differing(second, weight) == answer
        assert differing(second[::-1], weight) == (answer and (1, 0))
    # The first alone is likeliest at 6, both together are at 2.
    lopsided = np.array([np.logaddexp(agree, contradict + 3.0), other])
    assert differing(lopsided, FLAT) is None
    assert differing(np.empty((0, len(TAU_S), len(SHARES))), FLAT) is None
    assert differing(second[:1], FLAT) is None


def test_three_sensors_that_differ_are_mixed_in_equal_parts_and_else_count_for_one_and_a_half() -> (
    None
):
    apart = np.array([told(float(SHARES[i]), 0.05) for i in (7, 20, 21)])
    mixture = logsumexp(apart, axis=0) - np.log(3.0)
    found = combine(apart, FLAT)
    high = mixture > -50.0
    assert found[high] == pytest.approx(mixture[high])
    alike = np.array([told(0.88, 0.1), told(0.9, 0.1), told(0.92, 0.1)])
    assert combine(alike, FLAT) == pytest.approx(alike.sum(axis=0) / 2.0)


def test_peers_scatter_by_what_exceeds_their_own_doubt() -> None:
    """Against the median absolute deviation of scipy, less the doubt as variances subtract."""
    rng = np.random.default_rng(7)
    logs = rng.normal(0.0, 0.15, 9)
    tau = FIFTH
    surfaces = [by_tau((1, 0.5, 0.05), (4, float(np.exp(x)), 0.03)) for x in logs]
    surfaces[3] = by_tau((1, 0.5, 0.05), (4, float(np.exp(logs[3])), 0.3))  # one is vague
    found = peer_scatter(surfaces, tau)
    # Small samples: times n/(n - 0.8) (Croux and Rousseeuw 1992, from memory).
    spread = median_abs_deviation(logs, scale="normal") * 9 / (9 - 0.8)
    assert found.natural == pytest.approx((spread**2 - 0.03**2) ** 0.5, rel=0.03)
    assert found.own == pytest.approx(0.03, rel=0.15)
    known = (np.pi / 2) ** 0.5 * np.hypot(found.natural, found.own) / 8**0.5
    assert found.blur == pytest.approx(known, rel=0.005)
    vague = [by_tau((1, 0.5, 0.05), (4, 1.0, s)) for s in (0.1, 0.1, 0.1, 0.1, 0.4)]
    again = sharper(found, vague, tau)
    known = (np.pi / 2) ** 0.5 * np.hypot(found.natural, 0.1) / 8**0.5
    assert again.blur == pytest.approx(known, rel=0.02)
    assert (again.natural, again.peers) == (found.natural, found.peers)


def test_without_peers_nothing_is_known_of_their_median() -> None:
    assert peer_scatter([], FLAT) == PeerScatter(natural=0.05, blur=1.0, peers=0, own=0.0)
    one, two = (peer_scatter([told(1.0, 0.1)] * n, FLAT) for n in (1, 2))
    assert one.blur == two.blur == pytest.approx(1.25 * np.hypot(0.05, 0.1), rel=0.05)


def test_what_no_time_constant_is_known_of_is_summed_over_all() -> None:
    """Against scipy; some share is never likelier than e^-800, where a plain sum is lost."""
    rng = np.random.default_rng(11)
    surface = rng.normal(0.0, 2.0, (len(TAU_S), len(SHARES)))
    surface[:, 5] -= 800.0
    assert rule._log_sum(surface) == pytest.approx(logsumexp(surface, axis=0), abs=1e-9)


def test_the_most_likely_share_at_the_edges_of_the_grid() -> None:
    least, most = float(SHARES[0]), float(SHARES[-1])
    square = -((SHARES - 0.785) ** 2)
    assert rule._peak(square / 8.0) == pytest.approx(0.785, abs=1e-6), "however vague"
    assert rule._peak(np.zeros(len(SHARES))) == least
    assert rule._peak(-((SHARES + 0.2) ** 2)) == least
    assert rule._peak(-((SHARES - 2.0) ** 2)) == most
    assert rule._peak(0.2 * SHARES**2) == most, "no peak, but the greatest"
    assert rule._peak(-((SHARES - 1.60) ** 2)) == pytest.approx(1.60)
