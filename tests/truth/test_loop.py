"""The loop truth held against a general solver (SciPy's LSODA) and against its own definition."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from truth.loop import CP, FLOW, GUN, HEATER, NOTHING, PIPE_CELLS, Loop, run_loop
from truth.loop_cases import CASES, case, population, warm_up
from truth.loop_sensors import low_pass


def by_solver(loop: Loop, times: np.ndarray) -> np.ndarray:
    """Cores by LSODA from the equations as printed in the docstring, written a second time."""
    m, boxes = loop.modules, len(loop.pipe_s)

    def rates(t: float, y: np.ndarray) -> np.ndarray:
        tank, hot, rest = y[0], y[1], y[2:]
        pipes = rest[: boxes * PIPE_CELLS].reshape(boxes, PIPE_CELLS)
        plate, case_, core = rest[boxes * PIPE_CELLS :].reshape(3, m)
        flow = np.maximum(loop.flow_at(t), NOTHING)
        total = CP * flow.sum()
        ends = {}
        for i in np.argsort(loop.place):
            ends[loop.branch[i]] = plate[i]
        back = sum(flow[b] * ends[b] for b in ends) / flow.sum()
        d_tank = total * (back - tank) / loop.tank_j_k
        power, on = 0.0, t >= loop.source_from_s
        if loop.source == HEATER and on:
            ramp = min((t - loop.source_from_s) / loop.ramp_s, 1.0)
            power = min(loop.power_w * ramp, total * (loop.target_c - tank))
        if loop.source == GUN and on and (t - loop.source_from_s) % 150.0 < 110.0:
            d_tank += loop.gun_w_k * (loop.gun_c - tank) / loop.tank_j_k
        d_hot = (total * (tank - hot) + power) / (1.5 * loop.flow.sum() * CP)
        upstream = np.column_stack([np.full(boxes, hot), pipes[:, :-1]])
        d_pipes = PIPE_CELLS / np.array(loop.pipe_s)[:, None] * (upstream - pipes)
        entering = pipes[loop.box, -1].copy()
        for i in range(m):
            if loop.place[i]:
                j = np.flatnonzero(
                    (loop.branch == loop.branch[i]) & (loop.place == loop.place[i] - 1)
                )
                entering[i] = plate[j[0]]
        wc = flow[loop.branch] * CP
        k = wc * (1 - np.exp(-loop.ua * (wc / CP / FLOW) ** 0.6 / wc))
        inward = loop.core_w_k * (case_ - core)
        d_plate = (wc * (entering - plate) - k * (entering - case_)) / (5 * FLOW * CP)
        loss = loop.loss_w_k * (loop.air_c - case_)
        d_case = (k * (entering - case_) - inward + loss) / (loop.capacity * (1 - loop.core_share))
        d_core = inward / (loop.capacity * loop.core_share)
        return np.concatenate([[d_tank, d_hot], d_pipes.ravel(), d_plate, d_case, d_core])

    start = np.full(2 + boxes * PIPE_CELLS + 3 * m, loop.start_c.mean())
    start[-3 * m :] = np.tile(loop.start_c, 3)
    solution = solve_ivp(
        rates, (0, times[-1]), start, "LSODA", times, rtol=1e-8, atol=1e-8, max_step=5.0
    )
    return solution.y[-m:].T


@pytest.mark.parametrize(
    "knobs",
    [
        {"share": 0.4},
        {"source": "gun", "modules": 6, "share": 0.0},
        {"in_series": 3, "modules": 9, "boxes": 1, "share": 0.5},
        {"share": 0.3, "flow_changes": ((200.0, 1.0),), "modules": 8},
    ],
)
def test_the_compiled_loop_agrees_with_a_general_solver(knobs):
    made = warm_up(3, minutes=8.0, **knobs)
    run = run_loop(made.loop, 480.0)
    times = np.arange(0.0, 481.0, 30.0)
    # 0.0024 K is what two such solutions differed by elsewhere; the gun's edges cost a little.
    assert run.core[::30] == pytest.approx(by_solver(made.loop, times), abs=0.004)
    assert np.median(np.ptp(run.core, axis=0)) > 3


@pytest.mark.parametrize("knobs", [{"share": 0.4}, {"in_series": 4, "share": 0.5, "boxes": 1}])
def test_the_true_lag_is_that_of_a_steady_ramp(knobs):
    """Energy alone: with a heater of constant power and no loss everything rises at one rate, and
    each core trails what enters its branch by the lag that the definition gives."""
    made = warm_up(5, loss_w_k=0.0, minutes=60.0, **knobs)
    loop = made.loop
    object.__setattr__(loop, "target_c", 1000.0)
    run = run_loop(loop, 3600.0)
    rate = (run.core[-1] - run.core[-601]) / 600
    assert rate == pytest.approx(rate.mean(), rel=3e-3)
    first = np.array(
        [np.flatnonzero((loop.branch == b) & (loop.place == 0))[0] for b in loop.branch]
    )
    gap = run.inlet[-1, first] - run.core[-1]
    # Plates hold some liquid of their own, five seconds of an ordinary flow each.
    before = loop.place * 5 * FLOW / loop.flow[loop.branch]
    assert gap / rate == pytest.approx(made.lag_s + before, rel=4e-3)


def test_exchange_of_a_starved_module_is_its_peers_lag_over_its_own():
    made = warm_up(1, share=0.4, flow_sd=0.0, ua_sd=0.0, capacity_sd=0.0)
    bad = made.bad[0]
    # By hand: w c_p = 98 W/K, UA 160 W/K; at 40 % flow 39.2 W/K and 160 * 0.4^0.6 W/K.
    usual = 15000 * (1 / (98 * (1 - np.exp(-160 / 98))) + 0.7 / 220)
    starved = 15000 * (1 / (39.2 * (1 - np.exp(-160 * 0.4**0.6 / 39.2))) + 0.7 / 220)
    assert usual == pytest.approx(238, abs=1)
    assert made.lag_s[bad] == pytest.approx(starved)
    assert made.exchange[bad] == pytest.approx(usual / starved)
    assert np.delete(made.exchange, bad) == pytest.approx(1.0)


def test_the_whole_pack_takes_up_what_the_heater_gives():
    made = warm_up(2, loss_w_k=0.0, start_sd_k=0.0, plateau_s=0.0)
    run, loop = run_loop(made.loop, 600.0), made.loop
    power = loop.power_w * (600.0 - 30.0)
    bodies = (loop.capacity * (0.7 * run.core[-1] + 0.3 * run.case[-1] - loop.start_c)).sum()
    back, out = run.tank[-1] - loop.start_c.mean(), run.supply[-1] - loop.start_c.mean()
    w = loop.flow.sum() * CP
    wet = back * (loop.tank_j_k + 5.0 * w) + out * (1.5 + np.mean(loop.pipe_s)) * w
    assert bodies + wet == pytest.approx(power, rel=0.004)


def test_a_lag_follows_a_ramp_by_its_time():
    ramp = np.arange(0.0, 600.0)
    assert ramp[-1] - low_pass(ramp, 25.0, 1.0)[-1] == pytest.approx(25.0, abs=0.6)


def test_population_has_the_spread_it_states():
    packs = [population(seed) for seed in range(40)]
    lags = np.array([np.median(p.lag_s[p.healthy]) for p in packs])
    assert 110 < lags.min() < 200
    assert 350 < lags.max() < 580
    assert {len(p.time_s) for p in packs} == {601, 1201, 2401}
    worst = [p.exchange[p.bad[0]] for p in packs]
    assert min(worst) < 0.4
    assert max(worst) > 0.8
    assert all(p.liquid is None for p in packs)
    assert population(1, liquid=True).liquid is not None
    assert population(1, healthy=True).bad == ()


@pytest.mark.parametrize("name", CASES)
def test_every_case_runs_and_repeats(name):
    small = {} if name == "rest" else {"minutes": CASES[name].get("minutes", 20.0)}
    made, again = case(name, 4, **small), case(name, 4, **small)
    assert np.isfinite(made.reading).all()
    assert np.array_equal(made.reading, again.reading)
    steps = made.reading / made.sensors.step_k
    assert np.allclose(steps, np.round(steps))


def test_named_disturbances_are_in_the_readings():
    plain, off = case("healthy", 9), case("offset", 9, offset_k=3.0)
    moved = (off.reading - plain.reading).mean(axis=(0, 2))
    assert np.sort(np.abs(moved))[-1] == pytest.approx(3.0, abs=0.01)
    assert np.sort(np.abs(moved))[-2] == 0
    stuck = case("freezes", 9)
    still = np.ptp(stuck.reading[600:, :, 0], axis=0) == 0
    assert still.sum() == 1
    rest = case("rest", 9)
    drift = np.median(rest.run.core[-1] - rest.run.core[0])
    assert drift == pytest.approx(0.8, abs=0.1)
    cold = case("cool-down", 9)
    assert np.median(cold.run.core[-1] - cold.run.core[0]) == pytest.approx(-10, abs=2)
    air = case("air clears", 9)
    bad = air.bad[0]
    assert air.exchange_before[bad] < 0.45
    assert air.exchange[bad] > 0.9
    box = case("whole box", 9)
    assert set(box.bad) == set(np.flatnonzero(box.loop.box == 1))
    assert box.loop.exchange(within_box=True) == pytest.approx(1.0, abs=0.2)
