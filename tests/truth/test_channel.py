"""The channel truth held against closed forms: steady ramp, heat exchanger, delay, energy."""

from dataclasses import replace

import numpy as np
import pytest

from truth.as_series import channel_series
from truth.channel import SPECIFIC, film_w_k, lag_profile_s, run_channels
from truth.channel_cases import CASES, case, channel_test, population


def quiet(**knobs):
    """Plates without loss, thermostat or start scatter."""
    made = channel_test(3, start_sd_k=0.0, thermostat_k=1e6, **knobs)
    return replace(made.plates, loss_w_k=0 * made.plates.flow)


@pytest.mark.parametrize("speed", [1.0, 0.6])
def test_a_steady_ramp_has_the_stated_lag(speed):
    plates = replace(quiet(share=0.3, modules=6), pump=((0.0, speed),))
    run = run_channels(plates, 5400)
    mean = run.body.mean(axis=2)
    rate = (mean[-1] - mean[-901]) / 900
    assert rate == pytest.approx(rate.mean(), rel=2e-3)
    lag = (run.inlet[-200:] - mean[-200:]).mean(axis=0) / rate
    # A plug enters half a cell late on the average.
    cell = plates.wet_kg / 12 / (plates.flow * speed)
    assert np.all(np.abs(lag - plates.lag_s(speed)) < 0.5 + 0.6 * cell + 0.01 * lag)
    assert lag.max() > 1.5 * np.median(lag)


def test_without_conduction_along_it_the_lag_is_the_closed_form():
    plates = replace(quiet(share=0.2), wall_w_k=0.0, body_w_k=0.0)
    wc, solid = plates.flow * SPECIFIC, plates.wall_j_k + plates.body_j_k
    told = (solid + plates.wet_kg * SPECIFIC) / (2 * wc) + solid / plates.film()
    told += plates.body_j_k / plates.contact_w_k
    assert plates.lag_s() == pytest.approx(told, rel=1e-6)
    profile = lag_profile_s(plates)
    assert np.diff(profile, axis=1).min() > 0
    # Conduction carries the heat past the liquid: a starved plate is a little slower with it.
    assert quiet(share=0.2).lag_s().max() > 1.02 * plates.lag_s().max()


def test_a_plate_of_fixed_warmth_is_a_heat_exchanger():
    """Wall and body of endless heat capacity: T_out = T_w + (T_in - T_w) exp(-h A/(w c))."""
    plates = quiet(flow_kg_s=0.1)
    huge = replace(
        plates,
        wall_j_k=plates.wall_j_k * 1e7,
        body_j_k=plates.body_j_k * 1e7,
        tank_kg=1e7,
        power_w=plates.power_w * 10,
        heat_from_s=0.0,
    )
    run = run_channels(huge, 300)
    start = huge.start_c.mean()
    wc = huge.flow * SPECIFIC
    taken = (run.inlet[-1] - start) * wc * -np.expm1(-film_w_k(huge, 1.0) / wc)
    lost = huge.power_w - (run.tank[-1] - run.tank[-61]) / 60 * huge.tank_kg * SPECIFIC
    assert lost == pytest.approx(taken.sum(), rel=0.05)


def test_hausen_by_hand():
    """Gz = 4 w c/(pi k L): 0.028/36 kg/s, 3300, 0.42, 0.9 m: 8.65; Nu 3.66 + 0.578/1.169."""
    plates = quiet(flow_sd=0.0)
    plates = replace(plates, area_m2=np.full(plates.modules, 0.42))
    assert film_w_k(plates, 1.0)[0] == pytest.approx(4.155 * 0.42 / 4e-3 * 0.42, rel=1e-3)


def test_a_pipe_delays_by_its_volume_over_the_flow():
    plates = replace(quiet(modules=2, boxes=2, pipe_s=(4.0, 24.0)), pump=((0.0, 0.5),))
    run = run_channels(plates, 200)
    risen = [np.argmax(run.inlet[:, i] > plates.start_c.mean() + 0.2) for i in range(2)]
    # 20 s more of pipe at full speed are 40 s at half speed.
    assert risen[1] - risen[0] == pytest.approx(40, abs=2)


def test_what_the_heater_gives_is_found_in_the_pack():
    plates = quiet(modules=8)
    run = run_channels(plates, 1200)
    given = plates.power_w * run.heating[:-1].sum()
    solid = (
        (run.body[-1].mean(axis=1) - plates.start_c) * (plates.body_j_k + plates.wall_j_k)
    ).sum()
    start = plates.start_c.mean()
    pipes = plates.flow.sum() * np.mean(plates.pipe_s) * (run.supply[-1] - start)
    kilograms = (plates.tank_kg + plates.wet_kg.sum()) * (run.tank[-1] - start) + pipes
    # The wall is a little warmer than the body.
    assert solid + kilograms * SPECIFIC == pytest.approx(given, rel=0.02)


@pytest.mark.parametrize("name", CASES)
def test_every_case_repeats_and_speaks_in_its_steps(name):
    made, again = case(name, 2), case(name, 2)
    for a, b in zip(made.reading, again.reading, strict=True):
        assert np.array_equal(a, b)
        assert np.allclose(a / made.step_k, np.round(a / made.step_k))
    assert np.isfinite(made.exchange).all()


def test_planted_things_are_in_the_run():
    hunting = case("thermostat", 1).run
    assert np.abs(np.diff(hunting.heating)).sum() >= 4
    assert hunting.supply.max() < hunting.supply[0] + 14
    pumped = case("pump steps", 1)
    jump = pumped.run.supply - pumped.run.tank
    assert jump[700] / jump[450] == pytest.approx(1 / 0.6, rel=0.01)
    windy = case("draught, healthy", 1, start_sd_k=0.0, flow_sd=0.0).run.body[-1].mean(axis=1)
    assert windy[0] < windy[4] - 0.5
    kinds = case("two kinds, healthy", 1)
    assert set(kinds.plates.kind) == {0, 1}
    assert kinds.lag_s[2] > 1.3 * kinds.lag_s[0]
    assert np.median(kinds.exchange) == pytest.approx(1.0, abs=0.1)
    slow = case("tenth flow", 1)
    assert slow.exchange[slow.bad[0]] < 0.35
    assert np.diff(slow.time_s[0]) == pytest.approx(10.0)


def test_population_spreads_and_becomes_series():
    packs = [population(seed) for seed in range(12)]
    worst = [p.exchange[p.bad[0]] for p in packs]
    assert min(worst) < 0.35
    assert max(worst) > 0.7
    series, layout = channel_series(population(3, liquid=True))
    assert len(series.sensors) == len(layout.sensors)
    assert "inlet_temperature" in series.quantities
