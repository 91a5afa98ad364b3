"""Compiled kernels of the warm-up against slow twins that go another way."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.slow_exchange import (
    low_pass_of_scipy,
    slow_change,
    slow_crossings,
    slow_curve,
    slow_low_pass,
    slow_marginal,
    slow_plate,
)

from busplan.pack import exchange_kernels as kernels
from busplan.pack.exchange_model import (
    BESIDE,
    PLATE_BELOW,
    SHARES,
    TAU_S,
    behind_s,
    liquid_likelihood,
    plates,
)
from busplan.pack.flow_change_kernels import changed_rises
from busplan.pack.low_pass_kernels import in_a_row, low_passed
from busplan.pack.peers_curve import BEND, fit_curve

TIME = np.arange(0.0, 600.0, 5.0)
CURVE = 16.0 + 0.015 * np.clip(TIME - 60.0, 0.0, None) + 0.3 * np.sin(TIME / 90.0)


@given(st.lists(st.sampled_from([-1, 0, 0, 0, 1]), min_size=4, max_size=300))
def test_crossings_equal_the_list_of_changes_about_each_level(steps: list[int]) -> None:
    code = np.cumsum(np.array([0, *steps])).astype(np.int64)
    time = 3.0 * np.arange(len(code))
    found = np.empty((len(code), 4))
    rows = found[: kernels.crossings(time, code, found)]
    ours = sorted((float(r[0]), float(r[1])) for r in rows)
    slow = slow_crossings(time, code, kernels.FLICKER_S)
    assert np.array(ours).ravel() == pytest.approx(np.array(slow).ravel())


def test_a_flicker_is_one_crossing_at_the_moment_that_keeps_the_time_above() -> None:
    code = np.array([0] * 10 + [1] * 2 + [0] * 4 + [1] * 10, np.int64)
    found = np.empty((len(code), 4))
    assert kernels.crossings(np.arange(26.0), code, found) == 1
    assert found[0].tolist() == [9.5 - 11.5 + 15.5, 0.5, 1.0, 1.0]
    leap = np.array([0, 0, 3, 3], np.int64)
    assert kernels.crossings(np.arange(4.0) * 10, leap, found) == 1
    assert found[0].tolist() == [15.0, 1.5, 3.0, 10.0]


@pytest.mark.parametrize(("up_s", "rows"), [(58, 0), (62, 2)])
def test_what_goes_back_within_a_minute_has_not_passed(up_s: int, rows: int) -> None:
    # A minute: a choice of the method, no source.
    code = np.array([0] * 30 + [1] * up_s + [0] * 30, np.int64)
    found = np.empty((len(code), 4))
    assert kernels.crossings(np.arange(len(code), dtype=np.float64), code, found) == rows


def test_a_curve_trails_another_by_what_it_does_at_the_end() -> None:
    at = np.arange(0.0, 1200.0, 5.0)
    first = 16.0 + 0.01 * at
    curve = np.where(at < 700.0, first, first - 0.01 * 90.0)
    assert behind_s(curve, first, 5.0) == pytest.approx(90.0)
    assert behind_s(32.0 - curve, 32.0 - first, 5.0) == pytest.approx(90.0)  # cooling
    assert behind_s(first + 1.0, first, 5.0) == 0.0  # read from its own start
    assert behind_s(first, curve, 5.0) == 0.0  # never before it


@pytest.mark.parametrize("tau", [20.0, 240.0, 1e5])
def test_low_pass_equals_the_differential_equation(tau: float) -> None:
    ours = low_passed(CURVE, 5.0, np.array([tau]))[0]
    assert ours == pytest.approx(slow_low_pass(TIME, CURVE, tau), abs=2e-5)


def test_low_passes_in_a_row_count_as_their_weights_say() -> None:
    """Against transfer functions of scipy, one after another."""
    weight = np.array([[0.2, 0.3, 0.5], [0.0, 1.0, 0.0], [0.6, 0.0, 0.4], [0.1, 0.1, 0.8]])
    mean, later = np.empty((2, len(weight), len(CURVE)))
    in_a_row(CURVE, 5.0, 90.0, weight, mean, later)
    passed = [CURVE - CURVE[0]]
    for _ in range(4):
        passed.append(low_pass_of_scipy(TIME, passed[-1], 90.0))
    assert mean == pytest.approx(weight @ np.array(passed[:3]), abs=1e-9)
    assert later == pytest.approx(weight @ np.array(passed[2:]), abs=1e-9)


def test_a_place_on_a_plate_equals_the_differential_equations_along_it() -> None:
    passed, rise = plates(CURVE, 5.0, np.array([250.0]))
    beside = BESIDE * 250.0
    for wanted in (0.5, 0.19):
        row = int(np.argmin(np.abs(SHARES - wanted)))
        extra = 250.0 * (1.0 / float(SHARES[row]) - 1.0)
        along = slow_plate(TIME, CURVE, beside, extra / beside, 0.0)
        assert rise[row] == pytest.approx(along, abs=0.004)
        lossy = slow_plate(TIME, CURVE, beside, extra / beside, 2e-5)
        assert extra * passed[row] == pytest.approx((along - lossy) / 2e-5, rel=0.01, abs=0.5)
    assert not rise[SHARES >= PLATE_BELOW].any()


def likely(level_s: float | None, apart: float = 0.0, lag_s: float = 20.0) -> np.ndarray:
    """Likelihood of each tau_p, greatest 1, for peers of 250 s behind a liquid of 0.25 K/min."""
    time = np.arange(0.0, 1200.0, 5.0)
    liquid = 16.0 + 0.25 / 60.0 * np.clip(time - 60.0, 0.0, None)
    peers = 16.0 + slow_low_pass(time, liquid, 250.0)
    peers = 16.0 + slow_low_pass(time, peers, lag_s)
    sd = np.array([0.4, 0.2, 1e-4, 0.05, 0.04, 1e-4])
    told = liquid_likelihood(peers, 5.0, np.column_stack((time, liquid + apart)), sd, level_s)
    return np.exp(told - told.max())


def test_a_level_start_ties_the_liquid_to_the_modules_unless_they_read_apart() -> None:
    """In a slow ramp the gap alone, 0.25 K/min times 270 s, tells tau_p: 1.1 K."""
    tied = likely(60.0)
    assert TAU_S[int(np.argmax(tied))] == pytest.approx(250.0, rel=0.25)

    def width(likelihood: np.ndarray) -> float:
        mean = likelihood @ np.log(TAU_S) / likelihood.sum()
        return float(likelihood @ (np.log(TAU_S) - mean) ** 2 / likelihood.sum()) ** 0.5

    # Never level, or apart by what may be the sensors or the loop: the gap tells next to nothing.
    for loose in (likely(None), likely(60.0, apart=2.0), likely(60.0, apart=-2.0)):
        assert width(loose) > 1.15 * width(tied)
        assert loose[TAU_S > 450].max() > 10 * tied[TAU_S > 450].max()


def test_a_loss_that_is_taken_for_granted_makes_the_same_rise_a_quicker_one() -> None:
    """T' = (L - T)/tau - loss (T - T0): what loses heat and comes as far has the shorter tau."""
    time = np.arange(0.0, 1800.0, 5.0)
    liquid = 16.0 + np.clip(time - 60.0, 0.0, 900.0) / 60.0
    told = np.column_stack((time, liquid))

    def quickest(tau: float, lost: float, given: float) -> float:
        rise = slow_low_pass(time, liquid, tau / (1.0 + lost * tau)) / (1.0 + lost * tau)
        peers = 16.0 + slow_low_pass(time, 16.0 + rise, 20.0)
        sd = np.array([0.05, 0.02, 1e-6, 0.01, 0.0, given])
        return float(TAU_S[int(np.argmax(liquid_likelihood(peers, 5.0, told, sd, 60.0)))])

    assert quickest(250.0, 0.0, 0.0) == pytest.approx(250.0, rel=0.16)
    assert quickest(250.0, 2e-4, 2e-4) == pytest.approx(250.0, rel=0.16)
    assert quickest(250.0, 0.0, 2e-4) < 0.85 * 250.0


def test_a_change_of_exchange_equals_the_differential_equation() -> None:
    out = np.empty((1, 2, 2, len(TIME)))
    changed_rises(CURVE, 5.0, 240.0, np.array([60]), np.array([0.3, 1.1]), out)
    slow = slow_change(TIME, CURVE, 240.0, float(TIME[60]), 0.3, 1.1)
    # Within a knot the kernel holds the mean of both ends.
    assert out[0, 0, 1] == pytest.approx(slow, abs=0.01)
    assert out[0, 1, 1] == pytest.approx(slow_change(TIME, CURVE, 240.0, 1e9, 1.1, 1.0), abs=0.01)


@pytest.mark.parametrize("n", [6, 7, 41])
def test_the_likelihood_is_that_of_the_normal_distribution(n: int) -> None:
    rng = np.random.default_rng(n)
    design, residual = rng.normal(size=(6, n)), rng.normal(size=n)
    sigma = rng.uniform(0.2, 2.0, n)
    normal, solution = np.empty((6, 6)), np.empty(6)
    ours = kernels.solve(design, residual, 1 / sigma**2, np.empty(n), normal, solution)
    assert ours == pytest.approx(slow_marginal(design, residual, sigma), rel=1e-9)
    inverse = np.linalg.inv(np.eye(6) + (design / sigma**2) @ design.T)
    assert solution == pytest.approx(inverse @ design @ (residual / sigma**2), rel=1e-8)


def test_the_curve_is_the_penalised_least_squares_one() -> None:
    rng = np.random.default_rng(3)
    time = np.sort(rng.uniform(0.0, 395.0, 60))
    value, sigma = 16.0 + 0.01 * time + rng.normal(0, 0.1, 60), rng.uniform(0.05, 0.3, 60)
    ours = fit_curve(time, value, sigma, 80, 5.0)
    assert ours == pytest.approx(slow_curve(time, value, sigma, 80, 5.0, BEND), abs=1e-6)


def test_the_grid_is_what_build_and_solve_say_and_the_best_fit_its_own() -> None:
    rng = np.random.default_rng(5)
    at = np.sort(rng.uniform(0.0, 590.0, 23))
    value = np.interp(at, TIME, CURVE) + rng.normal(0, 0.1, 23)
    sigma = np.full(23, 0.08)
    first = np.array([0, 23])
    shares, taus = np.array([0.4, 1.0]), np.array([200.0])
    passed = low_passed(CURVE, 5.0, taus / shares)
    rise = shares[:, None] * (CURVE - CURVE[0]) + (1 - shares[:, None]) * passed
    sd = np.array([[0.4, 0.2, 1e-4, 0.05, 0.04, 1e-4]])
    out = np.zeros((1, 1, 2))
    kernels.exchange_likelihood(
        first, at, value, sigma, CURVE, 5.0, rise, passed, taus, shares, sd, 595.0,
        np.array([0]), 2, out,
    )  # fmt: skip
    for j, share in enumerate(shares):
        own = taus[0] / share
        low = np.interp(at, TIME, passed[j])
        model = CURVE[0] + np.interp(at, TIME, rise[j])
        lost = -(1 - share) * own * low
        gap = np.sqrt(np.mean((model - np.interp(at, TIME, CURVE)) ** 2))
        wave = 0.05 + 0.04 * gap
        design = np.array(
            [np.full(23, 0.4), 0.2 * np.interp(at, TIME, np.exp(-TIME / own)), 1e-4 * lost]
            + [wave / k * np.cos(k * np.pi * at / 595.0) for k in (1, 2, 3)]
        )
        residual = value - model - 1e-4 * lost
        assert out[0, 0, j] == pytest.approx(slow_marginal(design, residual, sigma), rel=1e-9)
        fitted = np.empty(23)
        offset, doubt, far = kernels.best_fit(
            0, 23, at, value, sigma, CURVE, 5.0, rise[j], passed[j], 200.0, share, sd[0], 595.0,
            fitted,
        )  # fmt: skip
        inverse = np.linalg.inv(np.eye(6) + design / 0.08**2 @ design.T)
        unknowns = inverse @ design @ residual / 0.08**2
        assert offset == pytest.approx(0.4 * unknowns[0])
        assert doubt == pytest.approx(0.4 * inverse[0, 0] ** 0.5)
        assert fitted == pytest.approx(model + 1e-4 * lost + unknowns @ design)
        whole = np.diag(sigma**2) + design.T @ design
        assert far == pytest.approx(residual @ np.linalg.solve(whole, residual))
