"""How wide the stated uncertainties of the warm-up are, factor by factor, and not only that they
cover the truth: an interval twice as wide would cover it, too."""

from __future__ import annotations

import numpy as np
import pytest
from support.packs import Array, module_temperatures

from busplan.pack import warm_up
from busplan.pack.exchange import fit_exchange
from busplan.pack.relative import (
    LATE_S,
    LEAN,
    LEAN_DIFFERS,
    OTHER_HEAT,
    Relative,
    relative_exchange,
)
from busplan.pack.thermal_span import ThermalSpan

RATE, START, LIQUID = 1 / 600, 14.0, 38.0
TIME = np.arange(0.0, 900.0, 5.0)


def newton(rate: float = RATE, start: float = START) -> Array:
    return LIQUID + (start - LIQUID) * np.exp(-rate * TIME)


def expected_uncertainty(values: Array, rate: float, start: float, step: float) -> dict[str, float]:
    """Uncertainty of the rate in closed form, by numpy's lstsq instead of sums.

    σ/√(n·J²) of nonlinear least squares (e.g. Seber and Wild, "Nonlinear Regression"; from memory),
    with step²/12 for a rounded value, and each candidate for how many values are independent.
    """
    left = values - newton(rate, start)
    by_rate = -(start - LIQUID) * TIME * np.exp(-rate * TIME)
    by_start = np.exp(-rate * TIME)[:, None]
    own = by_rate - by_start[:, 0] * np.linalg.lstsq(by_start, by_rate, rcond=None)[0][0]
    rho = max(0.0, float(left[1:] @ left[:-1]) / float(left[:-1] @ left[:-1]))
    count = len(TIME)
    variance = max(float(left @ left) / (count - 2), step**2 / 12)
    return {
        name: float(np.sqrt(variance / (independent * np.mean(own**2))))
        for name, independent in {
            "values": float(count),
            "steps": (newton(rate, start)[-1] - start) / step + 1,
            "correlation": count * (1 - rho) / (1 + rho),
        }.items()
    }


@pytest.mark.parametrize(
    ("disturbance", "step", "decides"),
    [
        # Every other value 0.01 K off: far less than rounding, and no two neighbours alike.
        (0.01 * (-1.0) ** np.arange(len(TIME)), 0.5, "steps"),
        # A slow wave of half a kelvin: neighbours hang together.
        (0.5 * np.sin(TIME / 20.0), 0.05, "correlation"),
        # Every other value half a kelvin off, a fine step: every value counts.
        (0.5 * (-1.0) ** np.arange(len(TIME)), 0.001, "values"),
    ],
)
def test_the_rate_is_as_uncertain_as_its_independent_values_make_it(
    disturbance: Array, step: float, decides: str
) -> None:
    values = newton() + disturbance
    fit = fit_exchange(TIME, np.full(len(TIME), LIQUID), values[:, None], step)
    expected = expected_uncertainty(values, float(fit.rate[0]), float(fit.start_c[0]), step)
    assert max(expected, key=expected.__getitem__) == decides
    assert fit.uncertainty[0] == pytest.approx(expected[decides], rel=1e-3)


def relative(exchange: list[float], own: list[float], model: list[float]) -> Relative:
    curve = np.tile(np.linspace(14.0, 30.0, 10)[:, None], (1, len(exchange)))
    return Relative(np.array(exchange), np.array(own), np.array(model), curve, 1 / 900)


@pytest.mark.parametrize(
    ("exchange", "mean", "own"),
    [
        # By hand: weights 1/0.03² and 1/0.04², mean 0.928, 1/√Σw = 0.024; the two lie 0.2 apart,
        # four times √(0.03² + 0.04²) = 0.05: Birge's ratio 4.
        ([1.0, 0.8], 0.928, 0.096),
        ([0.9, 0.9], 0.9, 0.024),  # sensors that agree better than stated narrow nothing
    ],
)
def test_sensors_that_disagree_widen_their_mean(
    exchange: list[float], mean: float, own: float
) -> None:
    found = warm_up._per_module(
        relative(exchange, [0.03, 0.04], [0.1, 0.2]), np.array([0, 0]), modules=1
    )
    assert found[0][0] == pytest.approx(mean)
    assert found[1][0] == pytest.approx(own)
    assert found[2][0] == pytest.approx(0.136)  # what is common to both does not average out


def test_the_uncertainty_told_is_both_parts_together(monkeypatch: pytest.MonkeyPatch) -> None:
    # By hand: two sensors of 0.03·√2 make 0.03; with 0.04 of the model √(0.03² + 0.04²) = 0.05.
    made = relative([1.0] * 8, [0.03 * 2**0.5] * 8, [0.04] * 8)
    monkeypatch.setattr(warm_up, "relative_exchange", lambda *_: made)
    time = np.linspace(0.0, 900.0, 10)
    span = ThermalSpan(0.0, 900.0, time, made.curve, np.full(10, LIQUID), True)
    test = warm_up.judge_warm_up(span, list("abcd"), list("aabbccdd"), [1, 2] * 4, 0.5)
    assert [m.uncertainty for m in test.modules] == pytest.approx([0.05] * 4)


@pytest.mark.parametrize(("sensors", "state"), [(4, "judged"), (3, "too even")])
def test_a_test_is_foreseen_with_the_mean_of_its_sensors(
    monkeypatch: pytest.MonkeyPatch, sensors: int, state: str
) -> None:
    # By hand: 0.4 + 2 · 1.645 u must lie below 0.75, so u below 0.1064: 0.2/√4 does, 0.2/√3 not.
    # Time does not help here, and what differs among peers is set so that nothing else decides.
    monkeypatch.setattr(warm_up, "_target_uncertainty", lambda *_: (0.2, 0.0))
    made = relative([1.0] * 8, [0.03] * 8, [0.0] * 8)
    time = np.linspace(0.0, 900.0, 10)
    span = ThermalSpan(0.0, 900.0, time, made.curve, np.full(10, LIQUID), True)
    found, more = warm_up._foresee(span, made, 0.05, 3.0, sensors, 0.5)
    assert (found.value, more) == (state, None)


def test_the_model_part_is_what_each_way_of_being_wrong_does_to_a_fit() -> None:
    # Reference: the temperatures bent by hand and fitted anew, one way after the other.
    flows = np.array([1.0, 1.0, 1.0, 1.0, 0.4])
    time, liquid, values = module_temperatures(
        15, flows, sensors=1, step=0.0, noise=0.0, period=10.0
    )
    span = ThermalSpan(0.0, float(time[-1]), time, values, liquid, True)
    place, still = np.ones(5, np.int64), np.zeros(5, bool)
    stated = relative_exchange(span, values, place, still, 0.5).model[4]

    def ratio(bent: Array, inlet: Array = liquid) -> float:
        rate = fit_exchange(time, inlet, bent, 0.5).rate
        return float(rate[4] / np.median(rate[:4]))

    rise = float(np.median(values[-1] - values[0]))
    heat = OTHER_HEAT * rise / time[-1]
    rates = flows / 900
    warmed = values + heat * (1 - np.exp(-np.outer(time, rates))) / rates
    leaning = values + LEAN * (liquid[:, None] - values)
    alone = values.copy()
    alone[:, 4] += LEAN_DIFFERS * (liquid - values[:, 4])
    late = np.interp(time - LATE_S, time, liquid)
    changes = [ratio(leaning), ratio(alone), ratio(values, late), ratio(warmed)]
    expected = np.sqrt(sum((c - ratio(values)) ** 2 for c in changes))
    assert stated == pytest.approx(expected, rel=0.15)
