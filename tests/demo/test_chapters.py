"""What the gun warm-up, the rest and the keys plant is in their frames, and not in healthy ones."""

from __future__ import annotations

import numpy as np
import pytest
from support.demo_files import made

from busplan.answers import Answer
from busplan.behaviour.judge import judge_behaviours
from busplan.decode.codec import decode_message
from busplan.demo import captures, cells, contactors, rest, thermal
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import SignalAddress


def signal(frames: FrameTable, address: SignalAddress, plan: str) -> tuple[np.ndarray, np.ndarray]:
    """Times [s from the start] and values of a signal."""
    vehicle = captures.demo_vehicle(plan)
    stream = next(
        s for s in vehicle.streams if (s.node, s.message.name) == (address.node, address.message)
    )
    message = decode_message(frames, frames.rows_of(stream.key), stream.message)
    start = int(frames.time_ns[0])
    return (message.time_ns - start) / 1e9, message[address.signal].values


def status(frames: FrameTable, name: str) -> tuple[np.ndarray, np.ndarray]:
    return signal(frames, SignalAddress("pack", "battery_master", "PackStatus", name), "as_built")


def modules(frames: FrameTable) -> tuple[np.ndarray, np.ndarray]:
    """Readings of the first sensor of each module on a grid of 10 s, ``(n, 12)``."""
    layout = captures.demo_vehicle("asleep").pack
    assert layout is not None
    grid = np.arange(10.0, frames.time_ns[-1] / 1e9 - frames.time_ns[0] / 1e9 - 5, 10.0)
    columns = []
    for place in (s for s in layout.sensors if s.position == 1):
        time, value = signal(frames, place.address, "asleep")
        columns.append(value[np.searchsorted(time, grid) - 1])
    return grid, np.stack(columns, axis=1)


def test_the_asleep_plan_hears_no_liquid_and_names_the_modules_of_the_van() -> None:
    asleep, awake = captures.demo_vehicle("asleep"), captures.demo_vehicle("as_built")
    assert asleep.pack is not None
    assert awake.pack is not None
    assert asleep.pack.cells == awake.pack.cells
    assert asleep.pack.sensors == awake.pack.sensors
    assert "inlet_temperature" not in asleep.pack.quantities
    assert asleep.pack.temperature_resolution_k == 1.0
    assert not any(s.signal.startswith("Loop") for s, _, _ in asleep.signals())


def test_the_gun_blows_in_bursts_and_c2_catches_up_after_minute_20() -> None:
    frames = made("gun-warm-up")
    time, readings = modules(frames)
    assert np.array_equal(readings, np.round(readings))
    lazy = thermal.MODULES.index(thermal.LAZY_MODULE)
    peers = np.delete(readings, lazy, axis=1).mean(axis=1)
    behind = peers - readings[:, lazy]
    assert peers[0] == pytest.approx(thermal.START_C, abs=0.5)
    assert peers[-1] - peers[0] > 8
    assert behind[time < 60].max() < 0.8
    before = behind[(time > 1000) & (time < 1200)].mean()
    assert before > 1.5
    assert behind[time > 1900].mean() < 0.6 * before
    # Exchange from the true run: 1 - exp(-270/w) of w, 90 W/K and 40 % of it.
    share = 36 * (1 - np.exp(-270 / 36)) / (90 * (1 - np.exp(-270 / 90)))
    loop = thermal.make_loop(1, start_c=14.0, air_c=13.0, target_c=0.0, lazy=True)
    told = loop.conductance_w_k[lazy] / np.median(loop.conductance_w_k)
    assert told == pytest.approx(share, abs=0.03)
    assert loop.cleared().flow[lazy] == 1.0


def test_a_healthy_gun_warm_up_is_even_and_four_minutes_show_nothing() -> None:
    _, readings = modules(made("gun-warm-up", healthy=True))
    assert np.ptp(readings, axis=1).max() <= 2
    time, early = modules(made("gun-warm-up-early"))
    assert time[-1] > 210
    assert np.ptp(early, axis=0).max() <= 2


def test_the_gun_gives_what_its_conductance_says() -> None:
    loop = thermal.make_loop(1, start_c=14.0, air_c=14.0, target_c=0.0, lazy=False, gun_w_k=21.0)
    assert loop.gun(109.0, 20.0) == 21.0 * 100
    assert loop.gun(111.0, 20.0) == 0.0
    assert loop.gun(151.0, 20.0) == 2100.0
    run = thermal.run_loop(loop, 0.0, 600.0)
    given = run.heater[:-1].sum() * 0.5
    lost = (thermal.LOSS_W_K * (run.module[:-1] - 14.0)).sum() * 0.5
    stored = thermal.MODULE_HEAT_J_K * (run.module[-1] - run.module[0]).sum()
    stored += thermal.LOOP_HEAT_J_K * (run.liquid[-1] - run.liquid[0])
    assert stored == pytest.approx(given - lost, rel=1e-9)


@pytest.mark.parametrize("healthy", [False, True])
def test_cell_71_falls_by_its_millivolts_an_hour_unless_healthy(healthy: bool) -> None:
    frames = made("rest", healthy=healthy)
    layout = captures.demo_vehicle("asleep").pack
    assert layout is not None
    slopes = []
    for place in layout.cells:
        time, volts = signal(frames, place.address, "asleep")
        late = time > 3 * 3600
        slopes.append(np.polyfit(time[late] / 3600, volts[late] * 1000, 1)[0])
    more = np.median(slopes) - np.array(slopes)
    expected = 0.0 if healthy else rest.LEAK_MV_H
    assert more[rest.LEAKING_CELL - 1] == pytest.approx(expected, abs=0.08)
    assert np.abs(np.delete(more, rest.LEAKING_CELL - 1)).max() < 0.15
    assert len(frames) < 100_000


def test_a_rest_climbs_back_as_measured_cells_do() -> None:
    """One cell measured at 25 C had 4 to 11 mV to go after 5 min, 1 to 4 mV after 30 min (median
    and worst step, references of the pack)."""
    made = cells.make_cells(0.61, 1)
    volts, _ = rest.resting(made, np.zeros(96), np.array([300.0, 1800.0, 1e6]), 1)
    left = 1000 * np.median(volts[-1] - volts[:2], axis=1)
    assert 4 < left[0] < 11
    assert 0.8 < left[1] < 4


def test_a_key_closes_on_a_full_link() -> None:
    frames = made("key-on")
    time, state = status(frames, "ContactorState")
    _, link = status(frames, "LinkVoltage")
    _, pack = status(frames, "PackVoltage")
    closes = np.flatnonzero(state == 2)[0]
    assert link[state == 0].max() < 1
    # 3 s of pre-charge at 0.55 s: 1 - exp(-3/0.55) = 99.6 %.
    assert link[closes - 1] / pack[closes] == pytest.approx(1 - np.exp(-3 / 0.55), abs=0.003)
    one = np.searchsorted(time, time[np.flatnonzero(state == 1)[0]] + contactors.PRE_CHARGE_TIME_S)
    assert link[one] / pack[one] == pytest.approx(1 - np.exp(-1), abs=0.02)
    order = [int(s) for s in state[np.flatnonzero(np.diff(state, prepend=-1))]]
    assert order == [0, 1, 2]


def test_an_early_key_closes_on_a_link_of_forty_percent_unless_healthy() -> None:
    frames = made("key-on-early")
    _, state = status(frames, "ContactorState")
    _, link = status(frames, "LinkVoltage")
    _, pack = status(frames, "PackVoltage")
    closes = np.flatnonzero(state == 2)[0]
    assert link[closes - 2] / pack[closes] == pytest.approx(0.40, abs=0.03)
    assert link[closes + 1] / pack[closes] == pytest.approx(1.0, abs=0.01)
    whole = made("key-on-early", healthy=True)
    in_order = made("key-on")
    _, healthy = status(whole, "LinkVoltage")
    assert healthy == pytest.approx(status(in_order, "LinkVoltage")[1], abs=0.5)


def test_a_welded_contactor_shows_while_open_unless_healthy() -> None:
    frames = made("key-on-welded")
    _, state = status(frames, "ContactorState")
    _, link = status(frames, "LinkVoltage")
    _, pack = status(frames, "PackVoltage")
    assert (state == 0).sum() > 300
    assert link[state == 0] == pytest.approx(pack[state == 0], abs=1)
    feedback = SignalAddress("pack", "contactor_box", "ContactorFeedback", "PlusContactor")
    assert np.all(signal(frames, feedback, "as_built")[1] == 1)
    command = SignalAddress("pack", "battery_master", "ContactorCommand", "PlusCommand")
    assert signal(frames, command, "as_built")[1][0] == 0
    healthy = made("key-on-welded", healthy=True)
    _, link = status(healthy, "LinkVoltage")
    assert link[:300].max() < 1


@pytest.mark.parametrize("seed", [1, 2])
def test_the_hot_drive_fails_where_it_is_planted_and_nowhere_when_healthy(seed: int) -> None:
    vehicle = captures.demo_vehicle()
    flawed = judge_behaviours(captures.make_capture("fan-late", seed=seed), vehicle)
    failed = {v.behaviour.name: v for v in flawed.verdicts if v.answer is Answer.BAD}
    assert set(failed) == {"drive-needs-brake", "fan-when-hot"}
    # 40 s after the limit, of which 5 s must pass before it counts and 10 s are allowed.
    assert failed["fan-when-hot"].margin_s == pytest.approx(-25.0, abs=0.6)
    sound = judge_behaviours(captures.make_capture("fan-late", seed=seed, healthy=True), vehicle)
    assert not [v.behaviour.name for v in sound.verdicts if v.answer is Answer.BAD]
    assert {"drive-needs-brake", "fan-when-hot"} <= {
        v.behaviour.name for v in sound.verdicts if v.answer is Answer.GOOD
    }
