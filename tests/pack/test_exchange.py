"""The first-order fit, against closed forms and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares
from support.packs import module_temperatures

from busplan.pack.exchange import first_order, fit_exchange


@given(
    st.floats(1e-5, 0.05),
    st.floats(-20, 40),
    st.floats(-10, 60),
    st.floats(5, 60),
)
@settings(max_examples=40)
def test_a_constant_liquid_gives_newtons_exponential(
    k: float, start: float, liquid: float, step: float
) -> None:
    time = np.arange(0.0, 900.0, step)
    curve = first_order(time, np.full(len(time), liquid), np.array([k]), np.array([start]))[:, 0]
    assert curve == pytest.approx(liquid + (start - liquid) * np.exp(-k * time), abs=1e-8)


def test_a_liquid_that_wanders_agrees_with_a_numerical_solution() -> None:
    time = np.linspace(0.0, 1200.0, 121)
    liquid = 20 + 10 * np.sin(time / 200.0) + 0.01 * time
    k = 1 / 400
    reference = solve_ivp(  # scipy's adaptive Runge-Kutta on the differential equation
        lambda t, y: k * (np.interp(t, time, liquid) - y),
        (0.0, 1200.0),
        [15.0],
        t_eval=time,
        rtol=1e-9,
        atol=1e-9,
        max_step=5.0,
    )
    ours = first_order(time, liquid, np.array([k]), np.array([15.0]))[:, 0]
    assert ours == pytest.approx(reference.y[0], abs=1e-4)


def test_the_fit_finds_the_floor_that_scipy_finds() -> None:
    time, liquid, temperature = module_temperatures(12, np.array([1.0, 0.4, 0.8]), sensors=1)
    time, liquid, temperature = time[::10], liquid[::10], temperature[::10]
    ours = fit_exchange(time, liquid, temperature, 0.5)
    for column in range(3):
        # Reference: scipy.optimize.least_squares on the same residuals, from another start.
        reference = least_squares(
            lambda x, c=column: (
                first_order(time, liquid, x[:1] / 1000, x[1:])[:, 0] - temperature[:, c]
            ),
            [3.0, 10.0],
        )
        assert ours.rate[column] * 1000 == pytest.approx(reference.x[0], rel=1e-4)
        assert ours.start_c[column] == pytest.approx(reference.x[1], abs=1e-3)


@pytest.mark.parametrize("step", [0.5, 1.0])
def test_the_uncertainty_covers_the_error_of_rounding(step: float) -> None:
    rng = np.random.default_rng(7)
    scores = []
    for _ in range(40):
        flows = rng.uniform(0.02, 1.2, 12)
        start = 14 + rng.uniform(-step, step)
        time, liquid, temperature = module_temperatures(
            10, flows, sensors=1, step=step, noise=0.02, start=start, rng=rng
        )
        fit = fit_exchange(time[::5], liquid[::5], temperature[::5], step)
        scores.append((fit.rate - flows / 900) / fit.uncertainty)
    spread = np.std(scores)
    # 1 would be exact. Over many steps rounding averages out better than reckoned, so it is less.
    assert 0.15 < spread < 1.0
    assert np.abs(scores).max() < 3.5


def test_gaps_do_not_bend_the_fit() -> None:
    time, liquid, temperature = module_temperatures(15, np.array([1.0]), sensors=1, noise=0.0)
    whole = fit_exchange(time, liquid, temperature, 0.5)
    temperature[200:500] = np.nan
    holed = fit_exchange(time, liquid, temperature, 0.5)
    assert holed.rate[0] == pytest.approx(whole.rate[0], rel=0.03)
    empty = fit_exchange(time, liquid, np.full((len(time), 1), np.nan), 0.5)
    assert np.isnan(empty.rate[0])
