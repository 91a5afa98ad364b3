"""What a module makes of its peers' curve, against the bodies and liquids it stands for."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm
from support.slow_exchange import low_pass_of_scipy, slow_liquid, slow_row
from truth import loop_cases

from busplan.pack.exchange_model import (
    BESIDE,
    LOSS,
    LOSS_SD,
    SHARES,
    TAU_S,
    banks,
    behind_s,
    liquid_likelihood,
    plates,
    tau_prior,
)

TIME = np.arange(0.0, 900.0, 5.0)
LIQUID = (
    16.0
    + 2.0 * (TIME > 0.0)
    + 0.02 * np.clip(TIME - 60.0, 0.0, 500.0)
    + 0.2 * (1.0 - np.cos(TIME / 70.0))
)
TAUS = np.array([150.0, 400.0])
LEAN = 0.05
"""What sensors see of the liquid (a choice of the method)."""


@pytest.mark.parametrize("place", [1, 2, 3])
def test_a_module_reads_what_bodies_in_a_row_do(place: int) -> None:
    """Peers and module by a general solver of differential equations from one liquid; only the
    peers' readings are told."""
    shares = np.array([0.2, 0.6, 1.4])
    for g, tau in enumerate(TAUS):
        peers = 20.0 + slow_row(TIME, LIQUID, tau, 1.0, LEAN, place)
        passed, rise = banks(peers, 5.0, TAUS, shares, stages=place)
        assert passed.shape == rise.shape == (len(TAUS) * len(shares), len(TIME))
        for j, share in enumerate(shares):
            row = g * len(shares) + j
            module = slow_row(TIME, LIQUID, tau, share, LEAN, place)
            assert rise[row] == pytest.approx(module, abs=0.012), (tau, share)
            low = low_pass_of_scipy(TIME, peers, tau / share)
            assert passed[row] == pytest.approx(low, abs=1e-4)


def test_modules_come_first_in_their_branch_unless_it_is_said() -> None:
    _, rise = banks(LIQUID, 5.0, TAUS)
    assert rise == pytest.approx(banks(LIQUID, 5.0, TAUS, SHARES, 1)[1])
    assert len(rise) == len(TAUS) * len(SHARES)


def test_time_constants_are_log_normal_before_anything_was_seen() -> None:
    """ln N(250 s, 0.55): 85 to 735 s hold 95 %; later places trail by as much more, and scatter by
    as many seconds as before."""

    def against(middle: float, width: float) -> np.ndarray:
        told = norm.logpdf(np.log(TAU_S), np.log(middle), width)
        return np.asarray(told - norm.logpdf(0.0, 0.0, width))

    assert np.exp(np.log(250.0) + np.array([-1.96, 1.96]) * 0.55) == pytest.approx(
        [85, 735], rel=1e-3
    )
    assert tau_prior(0.0) == pytest.approx(against(250.0, 0.55))
    assert tau_prior(100.0) == pytest.approx(against(350.0, 0.55 * 250.0 / 350.0))


def test_losses_of_the_truths_loops_lie_within_what_is_expected_of_losses() -> None:
    """Modules of the truth lose 0.5 to 3 W/K; of their heat capacity that is a rate [1/s]."""
    least, most = 0.5 / loop_cases.CAPACITY, 3.0 / loop_cases.CAPACITY
    assert least >= LOSS - LOSS_SD
    assert most <= LOSS + LOSS_SD
    assert 2.0 * (most - least) >= LOSS_SD, "and the prior tells something"


def test_the_grid_holds_what_is_likely_and_leaves_no_wide_gap() -> None:
    """99 % of the prior of tau_p lie within it; steps of e, half the narrowest interval that a test
    of 20 minutes gives (0.06), are a choice of the method, no source."""
    ends = norm.cdf((np.log([TAU_S[0], TAU_S[-1]]) - np.log(250.0)) / 0.55)
    assert ends[0] + 1.0 - ends[1] < 0.01
    steps = np.diff(np.log(TAU_S))
    assert steps == pytest.approx(steps[0])
    assert steps[0] < 0.31, "over half the prior's width the mean over it would be rough"
    assert (SHARES[0], SHARES[-1]) == pytest.approx((0.0, 1.65), abs=0.0015)
    gaps, middle = np.diff(SHARES), (SHARES[1:] + SHARES[:-1]) / 2.0
    assert (gaps > 0.0).all()
    for low, high, most in ((0.0, 0.6, 0.051), (0.6, 1.15, 0.0301), (1.15, 1.7, 0.131)):
        assert gaps[(middle > low) & (middle < high)].max() <= most


def test_a_plate_trails_the_liquid_by_the_part_that_is_not_the_way_there() -> None:
    """Half way along a plate of NTU 1.1 the liquid beside it stands at 1/(1 + NTU/2)."""
    assert pytest.approx(1.0 / (1.0 + 1.1 / 2.0), abs=0.01) == BESIDE
    passed, rise = plates(LIQUID, 5.0, TAUS)
    for g in range(len(TAUS)):
        block = slice(g * len(SHARES), (g + 1) * len(SHARES))
        late = SHARES < 0.9
        assert (np.diff(rise[block][late, -1]) > 0.0).all(), "more exchange, further on"
        assert not rise[block][~late].any()
        assert not passed[block][~late].any()


def test_a_curve_trails_another_as_it_does_over_the_last_third() -> None:
    at = np.arange(0.0, 1200.0, 5.0)
    first = 16.0 + 0.01 * at
    trailing = np.select([at < 60.0, at < 920.0], [0.0, 40.0], 90.0)
    curve = first - 0.01 * trailing + 0.4
    assert behind_s(curve, first, 5.0) == pytest.approx(90.0)
    blip = curve.copy()
    blip[-3] = 16.0  # one reading that is out does not count
    assert behind_s(blip, first, 5.0) == pytest.approx(90.0)
    dip = first.copy()
    dip[1] = 15.9  # a step of the sensor at the beginning makes no cool-down of it
    assert behind_s(curve, dip, 5.0) == pytest.approx(90.0)
    assert behind_s(-curve, -dip, 5.0) == pytest.approx(90.0)


@pytest.mark.parametrize(
    ("level_s", "off_k", "wave_k"),
    [(60.0, 1.5, 0.05), (2.0, -0.5, 3.0), (None, 0.0, 0.05), (-1.0, 0.0, 0.05)],
)
def test_a_liquid_speaks_for_time_constants_as_dense_algebra_says(
    level_s: float | None, off_k: float, wave_k: float
) -> None:
    """Against multivariate normal densities and transfer functions of scipy; also where the liquid
    suits the modules so badly (waves of 3 K) that plain likelihoods would all be nothing."""
    seen = np.column_stack((TIME[::2] + 2.0, LIQUID[::2] + off_k))
    curve = 16.0 + low_pass_of_scipy(TIME, LIQUID, 250.0)
    curve += wave_k * np.sin(TIME / 50.0)
    sd = np.array([0.4, 0.2, 2e-4, 0.05, 0.04, 1e-4])
    found = liquid_likelihood(curve, 5.0, seen, sd, level_s)
    level = seen[seen[:, 0] <= (level_s or 0.0), 1]
    # Within 0.2 K of what they read apart at a level start, else within 1 K and the sensors' own.
    apart = float(np.hypot(0.2, level.mean() - curve[0])) if len(level) else 1.4
    some = found[::3]
    slow = [slow_liquid(TIME, curve, seen, sd, apart, float(tau)) for tau in TAU_S[::3]]
    assert some - some.max() == pytest.approx(np.array(slow) - max(slow), abs=1e-3)
