"""Signals over time against a plain look-up of the last frame."""

import numpy as np
import pytest
from support.van import make_replay

from busplan.plan.vehicle import SignalAddress
from busplan.replay.pack_state import Grade
from busplan.replay.pair import differences, shift
from busplan.replay.replay import Replay
from busplan.replay.span import measure_span
from busplan.replay.trend import cell_grid, grid, module_heat, module_volts, sensor_grid

S = 1_000_000_000


@pytest.fixture(scope="module")
def replay() -> Replay:
    return make_replay(gap_s=(10, 14))


def moments(*seconds: float) -> np.ndarray:
    return np.array([round(s * S) for s in seconds], np.int64)


def test_a_grid_shows_what_snapshots_show_and_nothing_while_stale(replay: Replay) -> None:
    layout = replay.vehicle.pack
    assert layout is not None
    at = moments(0.02, 5, 9.95, 12, 14.05, 29)
    cells, sensors = cell_grid(replay, at), sensor_grid(replay, at)
    for x, t_ns in enumerate(at.tolist()):
        pack = replay.snapshot(t_ns).pack
        assert pack is not None
        fresh = np.where(pack.cells.fresh, pack.cells.value, np.nan)
        np.testing.assert_allclose(cells.values[:, x], fresh)
        fresh = np.where(pack.sensors.fresh, pack.sensors.value, np.nan)
        np.testing.assert_allclose(sensors.values[:, x], fresh)


def test_multiplexed_signals_are_held_over_the_other_pages(replay: Replay) -> None:
    speed = SignalAddress("thermal", "pump_1", "PumpStatus", "PumpSpeed")
    values = grid(replay, [speed], moments(5.0, 5.1, 5.2)).values
    np.testing.assert_array_equal(values, [[1200.0] * 3])


def test_unknown_signals_are_not_there(replay: Replay) -> None:
    nothing = SignalAddress("pack", "nobody", "Nothing", "None")
    assert np.isnan(grid(replay, [nothing], moments(1, 2)).values).all()


def test_the_map_of_modules_shows_the_lagging_and_the_sagging_one(replay: Replay) -> None:
    layout = replay.vehicle.pack
    assert layout is not None
    at = moments(5, 20, 29)
    heat, volts = module_heat(replay, layout, at), module_volts(replay, layout, at)
    late = layout.modules.index("B1")
    assert heat.deviation[late, 2] == pytest.approx(-4.35, abs=0.5)
    assert Grade(int(heat.grade[late, 2])) is Grade.LOW
    low = layout.modules.index("A2")
    assert volts.deviation[low, 1] == pytest.approx(-0.060, abs=0.003)
    assert Grade(int(volts.grade[low, 1])) is Grade.FAR_LOW


def test_a_span_counts_every_frame_in_it(replay: Replay) -> None:
    current = SignalAddress("pack", "battery_master", "PackStatus", "PackCurrent")
    span = measure_span(replay, 20 * S, 5 * S, [current])
    assert (span.a_ns, span.b_ns) == (5 * S, 20 * S)
    (s,) = span.chosen
    assert s.unit == "A"
    assert (s.minimum, s.maximum) == (pytest.approx(55, abs=0.1), pytest.approx(70, abs=0.1))
    assert s.mean == pytest.approx(62.5, abs=0.1)
    table = replay.table
    t = table.time_ns - table.origin_ns
    inside = (t >= 5 * S) & (t <= 20 * S)
    assert sum(m.frames for m in span.messages) == inside.sum()
    assert sum(n.frames for n in span.networks) == pytest.approx(inside.sum(), abs=8)
    assert max(m.cycle.longest_ns for m in span.messages if m.cycle) >= 4 * S


def test_a_silence_that_goes_on_past_the_ends_of_a_span_counts_up_to_them(replay: Replay) -> None:
    span = measure_span(replay, 8 * S, 13 * S)
    (cells,) = [m for m in span.messages if m.line.name == "CellVoltages1" and m.frames < 40]
    assert cells.longest_ns == pytest.approx(3 * S, abs=0.2 * S)
    assert cells.cycle
    assert cells.cycle.longest_ns < 0.2 * S


def test_an_empty_span_is_empty_not_wrong(replay: Replay) -> None:
    span = measure_span(replay, 11 * S, 11 * S + 1000)
    assert all(s.count == 0 for s in span.cells[:8])
    assert all(np.isnan(s.mean) for s in span.cells[:8])


def test_two_moments_differ_by_what_was_made_different(replay: Replay) -> None:
    first, second = replay.snapshot(5 * S), replay.snapshot(25 * S)
    rows = {d.what: d for d in differences(first, second)}
    assert rows["cells mean"].change == pytest.approx(-0.004, abs=0.0005)
    assert rows["greatest lag"].change == pytest.approx(3.0, abs=0.6)
    assert first.pack is not None
    assert second.pack is not None
    moved = shift(first.pack, second.pack)
    assert moved is not None
    assert np.abs(moved.cells.value).max() < 0.0015
    other = make_replay([(4,)], 3.0).snapshot(2 * S).pack
    assert other is not None
    assert shift(first.pack, other) is None
